"""``python -m fullhide``."""

from __future__ import annotations

from fullhide.cli import main

if __name__ == "__main__":
    main()
