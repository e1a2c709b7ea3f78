"""Job folders let fall on napari, and the example jobs in its menu."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fullhide.demo import sample_folder
from fullhide.job import JOB_FILE, load_job
from fullhide.photo import open_photo
from fullhide.shown import display

__all__ = ["get_reader", "heron", "kestrel"]

#: npe2's word for "read, and there is no layer to add": the bench adds its own.
_NOTHING = [(None,)]


def get_reader(path: str | list[str]) -> Callable[[str | list[str]], list[Any]] | None:
    """A reader for a job folder or its job.toml; None for everything else."""
    first = Path(path if isinstance(path, str) else path[0])
    if first.name == JOB_FILE or (first / JOB_FILE).is_file():
        return _read
    return None


def _read(path: str | list[str]) -> list[Any]:
    from napari import current_viewer

    from napari_fullhide.window import open_in

    first = Path(path if isinstance(path, str) else path[0])
    viewer = current_viewer()
    if viewer is not None:
        open_in(viewer, first.parent if first.name == JOB_FILE else first)
    return list(_NOTHING)


def kestrel() -> list[Any]:
    """Open a copy of the example job `kestrel`."""
    return _sample("kestrel")


def heron() -> list[Any]:
    """Open a copy of the example job `heron`."""
    return _sample("heron")


def _sample(name: str) -> list[Any]:
    """A copy: outlines that a person draws must not change the example itself."""
    folder = Path(tempfile.mkdtemp(prefix="fullhide-")) / name
    shutil.copytree(sample_folder() / name, folder)
    _read(str(folder))
    # napari wants a layer of every sample; the bench takes this one for its photo.
    entry = load_job(folder).photos[0]
    about = {"name": "photo", "rgb": True, "metadata": {"file": entry.file}}
    return [(display(open_photo(folder / entry.file)), about, "image")]
