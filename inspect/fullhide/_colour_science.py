"""One door to colour-science, which is slow to import and warns about plotting.

colour-science takes about half a second to import, so nothing may import it at module
level.  On import it also issues one usage warning per optional package that is not
installed (Matplotlib for plots, and so on); fullhide never plots, so that one kind of
warning is silenced here and nowhere else.
"""

from __future__ import annotations

import warnings
from functools import cache
from types import ModuleType

__all__ = ["colour"]


@cache
def colour() -> ModuleType:
    """Import colour-science once, without its "package not installed" usage warnings.

    Returns
    -------
    module
        The ``colour`` module.
    """
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r".*related API features are not available")
        import colour as module

    return module
