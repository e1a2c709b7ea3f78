"""The checks: (region, colours, limits) in, measures and findings out."""
