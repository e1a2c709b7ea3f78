"""fullhide: does anything show through the new colour? Photos in, verdicts out.

The names below load the engine only when they are first used, so that importing the package
costs next to nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from fullhide.errors import FullhideError, JobError, OutputError, PhotoError

if TYPE_CHECKING:
    from fullhide.engine import inspect_job, inspect_photo
    from fullhide.job import load_job, loose_job
    from fullhide.result import JobResult, PhotoResult, RegionResult, to_json

__version__ = "0.1.0"

__all__ = [
    "FullhideError",
    "JobError",
    "JobResult",
    "OutputError",
    "PhotoError",
    "PhotoResult",
    "RegionResult",
    "__version__",
    "inspect_job",
    "inspect_photo",
    "load_job",
    "loose_job",
    "to_json",
]

_HOME = {
    "JobResult": "result",
    "PhotoResult": "result",
    "RegionResult": "result",
    "inspect_job": "engine",
    "inspect_photo": "engine",
    "load_job": "job",
    "loose_job": "job",
    "to_json": "result",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'fullhide' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"fullhide.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(__all__))
