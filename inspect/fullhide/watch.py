"""Photos as they arrive in a folder: each one once, and only when it is whole.

The folder is looked through again and again instead of asking the system to tell of changes: that
works on memory cards, network folders and phones' folders alike.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, field
from pathlib import Path

from fullhide.errors import FullhideError, JobError
from fullhide.files import why
from fullhide.job import JOB_FILE

__all__ = ["ENDINGS", "Arrivals", "photo_folder"]

#: Endings of the photos that are looked for; what a file is stands in its bytes.
ENDINGS = frozenset(
    f".{ending}"
    for ending in (
        *("jpg", "jpeg", "jpe", "png", "tif", "tiff", "heic", "heif", "hif", "avif", "dng"),
        *("cr2", "cr3", "nef", "arw", "raf", "rw2", "orf", "pef", "srw"),
    )
)
#: A file is whole when neither its size nor its time has changed for so long, seconds …
_STILL_S = 1.0
#: … and one that does not open is given so long to change again (our own choices).
_PATIENCE_S = 15.0


@dataclass(slots=True)
class _Seen:
    """One file: how it stood, since when, and whether it was given out."""

    state: tuple[int, int]
    since: float
    given: bool = False


@dataclass(slots=True)
class Arrivals:
    """The photos that arrive in a folder.

    What lies there at first is known and not given out; a known photo that is written anew is.

    Attributes
    ----------
    folder
        The folder, without those below it.
    """

    folder: Path
    _seen: dict[str, _Seen] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, state in self._states().items():
            self._seen[name] = _Seen(state, since=float("-inf"), given=True)

    @property
    def known(self) -> int:
        """How many photos are known by now."""
        return len(self._seen)

    def whole(self, now: float | None = None) -> list[Path]:
        """Photos that have come since, and lie still: oldest first, each given out once.

        Parameters
        ----------
        now
            Seconds of any clock that does not go back; the system's if left out.

        Raises
        ------
        FullhideError
            If the folder is not there any more.
        """
        now = time.monotonic() if now is None else now
        states = self._states()
        for name in self._seen.keys() - states.keys():
            del self._seen[name]  # taken away; if it comes back it is new
        out = []
        for name, state in states.items():
            seen = self._seen.get(name)
            if seen is None or seen.state != state:
                self._seen[name] = _Seen(state, since=now)
            elif not seen.given and state[0] > 0 and now - seen.since >= _STILL_S:
                seen.given = True
                out.append((state[1], name))
        return [self.folder / name for _, name in sorted(out)]

    def put_back(self, path: Path, now: float | None = None) -> bool:
        """Wait on for a photo that does not open: it may be half copied by a slow card.

        Returns
        -------
        bool
            False when it has lain unchanged for long enough: then what is wrong is to be told.
        """
        now = time.monotonic() if now is None else now
        seen = self._seen.get(path.name)
        if seen is None:  # gone meanwhile
            return True
        if now - seen.since > _PATIENCE_S:
            return False
        seen.given = False
        return True

    def _states(self) -> dict[str, tuple[int, int]]:
        """Size and time of each photo."""
        found = {}
        try:
            with os.scandir(self.folder) as entries:
                for entry in entries:
                    if entry.name.startswith(".") or not _is_photo(entry.name):
                        continue
                    try:
                        status = entry.stat()
                    except OSError:  # gone between being listed and being asked
                        continue
                    if entry.is_file():
                        found[entry.name] = (status.st_size, status.st_mtime_ns)
        except OSError as error:
            raise FullhideError(
                self.folder, f"cannot be looked through ({why(error)})", "name a folder"
            ) from None
        return found


def _is_photo(name: str) -> bool:
    return Path(name).suffix.lower() in ENDINGS


def photo_folder(folder: Path) -> Path:
    """The folder to watch: a job's `photos` where a job folder is named.

    Raises
    ------
    JobError
        If it is no folder.
    """
    if not folder.is_dir():
        what = "is a file, not a folder" if folder.exists() else "is not there"
        raise JobError(folder, what, "name the folder that the photos arrive in")
    photos = folder / "photos"
    return photos if (folder / JOB_FILE).is_file() and photos.is_dir() else folder
