"""What napari loads only with its first layers, loaded before they are made."""

from __future__ import annotations

from contextlib import suppress
from functools import cache
from importlib import import_module

__all__ = ["warm"]

#: Found in `sys.modules` after the first job of `bench_freeze.py` was opened.
_MODULES = (
    "scipy.ndimage",
    "pandas",
    "skimage.color.colorconv",
    "skimage.exposure",
    "skimage.graph",
    "napari.components.histogram",
)


@cache
def warm() -> None:
    """Import them and have the table of units built, some two seconds, in the calling thread.

    Called away from the window's thread. What fails here fails again, and is told, where it is
    needed.
    """
    for module in _MODULES:
        with suppress(ImportError):
            import_module(module)
    with suppress(ImportError, AttributeError):
        import_module("pint").get_application_registry().parse_units("pixel")
