"""The viewer's side of fullhide: dock widgets for napari that call the engine.

Nothing is here yet but the name; the engine never imports this package.
"""
