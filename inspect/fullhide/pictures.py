"""The files written beside an inspection: one mask and one overlay a photo."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fullhide.errors import OutputError
from fullhide.files import ready_folder, write_bytes
from fullhide.result import PhotoResult

if TYPE_CHECKING:
    from fullhide.engine import PhotoArtifacts

__all__ = ["Pictures", "picture_names"]

MASK_SUFFIX = ".findings.png"
OVERLAY_SUFFIX = ".overlay.png"


def picture_names(photos: Sequence[Path]) -> dict[Path, str]:
    """Return a different stem for every photo, from as few folder names as that takes.

    Parameters
    ----------
    photos
        Paths of the photos.

    Returns
    -------
    dict
        ``photos/a.jpg`` alone is ``a``; with ``extra/a.jpg`` beside it they are ``photos_a`` and
        ``extra_a``. Names that differ in upper and lower case only count as the same.
    """
    forms = {photo: _forms(photo) for photo in dict.fromkeys(photos)}
    level = dict.fromkeys(forms, 0)
    while True:
        names = {photo: forms[photo][level[photo]] for photo in forms}
        count = Counter(name.casefold() for name in names.values())
        clashing = [
            photo
            for photo, name in names.items()
            if count[name.casefold()] > 1 and level[photo] + 1 < len(forms[photo])
        ]
        if not clashing:
            break
        for photo in clashing:
            level[photo] += 1
    taken: set[str] = set()
    for photo, name in names.items():
        number, free = 1, name
        while free.casefold() in taken:
            number += 1
            free = f"{name}_{number}"
        taken.add(free.casefold())
        names[photo] = free
    return names


def _forms(photo: Path) -> list[str]:
    """Return ever longer names for a photo: stem, ending, folders."""
    folders = [part for part in photo.parts[:-1] if part.strip("./\\")]
    longer = ["_".join([*folders[-depth:], photo.stem]) for depth in range(1, len(folders) + 1)]
    ending = photo.suffix.lstrip(".")
    with_ending = [f"{photo.stem}_{ending}", *longer] if ending else longer
    last = longer[-1] if longer else photo.stem
    return [photo.stem, *with_ending, f"{last}_{ending}"]


class Pictures:
    """Writes masks and overlays photo by photo, so that no photo need be kept.

    Parameters
    ----------
    photos
        Every photo of the run: their names are told apart, and none is ever overwritten.
    masks, overlays
        Target folders; None writes none.

    Raises
    ------
    OutputError
        If a target folder cannot be made or written to.
    """

    def __init__(
        self, photos: Iterable[Path], *, masks: Path | None = None, overlays: Path | None = None
    ) -> None:
        paths = list(photos)
        self.problems: list[OutputError] = []
        self.written: list[Path] = []
        self._names = picture_names(paths)
        self._originals = {path.resolve() for path in paths}
        self._masks = ready_folder(masks) if masks else None
        self._overlays = ready_folder(overlays) if overlays else None

    def write(self, path: Path, result: PhotoResult, artifacts: PhotoArtifacts) -> None:
        """Write the pictures of one photo; what goes wrong is kept in `problems`.

        After a folder has failed once nothing more is tried there: a full disk is one problem,
        not one a photo.
        """
        stem = self._names[path]
        if self._masks is not None:
            mask = self._masks / f"{stem}{MASK_SUFFIX}"
            if not self._tried(mask, lambda: _save_mask(mask, artifacts)):
                self._masks = None
        if self._overlays is not None:
            overlay = self._overlays / f"{stem}{OVERLAY_SUFFIX}"
            if not self._tried(overlay, lambda: _save_overlay(overlay, result, artifacts)):
                self._overlays = None

    def _tried(self, target: Path, save: Callable[[], None]) -> bool:
        try:
            if target.resolve() in self._originals:
                raise OutputError(target, "is one of the photos", "name another folder")
            save()
        except OutputError as error:
            self.problems.append(error)
            return False
        self.written.append(target)
        return True


def _save_mask(target: Path, artifacts: PhotoArtifacts) -> None:
    import cv2

    # Mostly zeros: the fastest compression already makes it small.
    done, png = cv2.imencode(".png", artifacts.label_map, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise OutputError(target, "cannot be made into a PNG", "report this photo")
    write_bytes(target, png.tobytes())


def _save_overlay(target: Path, result: PhotoResult, artifacts: PhotoArtifacts) -> None:
    from fullhide.overlay import save_overlay

    save_overlay(
        target,
        photo=artifacts.photo,
        result=result,
        outlines=artifacts.outlines,
        label_map=artifacts.label_map,
    )
