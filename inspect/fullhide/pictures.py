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

__all__ = ["Pictures", "mask_png", "overlay_png", "picture_names"]

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

    @property
    def masks(self) -> bool:
        """Whether masks are still wanted."""
        return self._masks is not None

    @property
    def overlays(self) -> bool:
        """Whether overlays are still wanted."""
        return self._overlays is not None

    def write(self, path: Path, result: PhotoResult, artifacts: PhotoArtifacts) -> None:
        """Write the pictures of one photo; what goes wrong is kept in `problems`.

        After a folder has failed once nothing more is tried there: a full disk is one problem,
        not one a photo.
        """
        self._write(
            path,
            lambda target: write_bytes(target, mask_png(artifacts)),
            lambda target: _save_overlay(target, result, artifacts),
        )

    def write_made(self, path: Path, *, mask: bytes | None, overlay: bytes | None) -> None:
        """Write pictures of one photo that were made elsewhere; as `write`, None writes none."""
        self._write(
            path,
            None if mask is None else lambda target: write_bytes(target, mask),
            None if overlay is None else lambda target: write_bytes(target, overlay),
        )

    def _write(
        self,
        path: Path,
        save_mask: Callable[[Path], None] | None,
        save_overlay: Callable[[Path], None] | None,
    ) -> None:
        stem = self._names[path]
        if self._masks and save_mask:
            mask = self._masks / f"{stem}{MASK_SUFFIX}"
            self._masks = self._masks if self._tried(mask, save_mask) else None
        if self._overlays and save_overlay:
            overlay = self._overlays / f"{stem}{OVERLAY_SUFFIX}"
            self._overlays = self._overlays if self._tried(overlay, save_overlay) else None

    def _tried(self, target: Path, save: Callable[[Path], None]) -> bool:
        try:
            if target.resolve() in self._originals:
                raise OutputError(target, "is one of the photos", "name another folder")
            save(target)
        except OutputError as error:
            self.problems.append(error)
            return False
        self.written.append(target)
        return True


def mask_png(artifacts: PhotoArtifacts) -> bytes:
    """The numbers of the findings as a 16-bit PNG file.

    Raises
    ------
    OutputError
        They cannot be made into a PNG.
    """
    import cv2

    # Mostly zeros: the fastest compression already makes it small.
    done, png = cv2.imencode(".png", artifacts.label_map, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        photo = artifacts.photo.path
        raise OutputError(photo, "its mask cannot be made into a PNG", "report this photo")
    return png.tobytes()


def overlay_png(result: PhotoResult, artifacts: PhotoArtifacts) -> bytes:
    """The photo with outlines and findings drawn on, as a PNG file.

    Raises
    ------
    OutputError
        It cannot be made into a PNG.
    """
    from fullhide import overlay

    return overlay.overlay_png(
        artifacts.photo,
        result=result,
        outlines=artifacts.outlines,
        label_map=artifacts.label_map,
    )


def _save_overlay(target: Path, result: PhotoResult, artifacts: PhotoArtifacts) -> None:
    from fullhide.overlay import save_overlay

    save_overlay(
        target,
        photo=artifacts.photo,
        result=result,
        outlines=artifacts.outlines,
        label_map=artifacts.label_map,
    )
