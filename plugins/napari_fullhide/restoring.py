"""A job opened again shows what its record holds, where nothing has changed since."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from fullhide.errors import FullhideError
from fullhide.job import Job, PhotoEntry
from fullhide.record import KeptInspection, Record
from napari_fullhide.background import in_background
from napari_fullhide.bench import Bench

__all__ = ["join", "still_holds"]


def join(bench: Bench) -> None:
    """Have a bench show the inspections on record."""
    model = bench.model

    def opened() -> None:
        job = model.job
        if job is None:
            return

        def done(result: Any) -> None:
            if isinstance(result, FullhideError) or model.job is not job:
                return  # a damaged record is told of where findings set aside are read
            for index, kept in result:
                if model.photos[index].found is None:
                    model.put_kept(index, kept)

        in_background(lambda: _of_record(job), done)

    bench.hold(opened)
    model.opened.connect(opened)


def _of_record(job: Job) -> list[tuple[int, KeptInspection]]:
    record = Record(job.folder)
    newest = ((i, entry, record.newest(entry.file)) for i, entry in enumerate(job.photos))
    return [
        (i, kept) for i, entry, kept in newest if kept is not None and still_holds(kept, job, entry)
    ]


def still_holds(kept: KeptInspection, job: Job, entry: PhotoEntry) -> bool:
    """Whether an inspection on record was of the files, colours and limits that a job has now.

    Outlines are not looked at: each region's is held against its own.
    """
    asked = (job.under, job.thread, job.finish, job.chart, job.limits)
    if asked != (kept.under, kept.thread, kept.finish, kept.chart, kept.limits):
        return False
    if (entry.stage, entry.coat, job.airbag(entry.part)) != (kept.stage, kept.coat, kept.airbag):
        return False
    wanted = {entry.file, *entry.also, *filter(None, [entry.grey_board])}
    if wanted != {file.file for file in kept.files} or kept.mm_per_px_given is not None:
        return False
    return all(_sha256(job.path(file.file)) == file.sha256 for file in kept.files)


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
