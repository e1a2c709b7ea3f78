"""Photos named under `also`: asked only where the first one cannot decide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.background import background
from fullhide.checks.apart import Reference
from fullhide.checks.match import Patch
from fullhide.checks.sheen import Look
from fullhide.colour import lab_to_xyz
from fullhide.companion import Companion, Second, changed, companion, joined
from fullhide.errors import FullhideError
from fullhide.job import Job, PhotoEntry, TypedReference
from fullhide.judge import Scene, Seen, judge_region
from fullhide.judge_edge import judge_edge
from fullhide.outlines import RegionOutline
from fullhide.region import RegionView
from fullhide.result import RegionResult
from fullhide.shine import Flats, flats_of, shine_of

__all__ = ["Seconds", "judge_together"]

Judged = tuple[RegionResult, NDArray[np.uint16] | None, tuple[int, int, int, int]]

#: Measures of a line in two photos lie no farther apart than so many standard deviations (own
#: choice).
_APART = 2.5
#: Doubts that another photo of the same view takes nothing from.
_BEYOND = frozenset({"damaged", "no_colour", "no_scale", "too_far", "region_small"})


@dataclass(slots=True)
class Seconds:
    """Further photos of a view, opened when first asked for.

    Attributes
    ----------
    files
        As named under `also`.
    open
        Opens and calibrates one of them.
    problems
        Those that could not be opened.
    notes
        For each file asked for: whether it was used, and how it lies.
    """

    files: Sequence[str]
    open: Callable[[str], Second]
    problems: list[FullhideError] = field(default_factory=list)
    notes: dict[str, dict[str, Any]] = field(default_factory=dict)
    _opened: list[Second] | None = None
    _lock: Lock = field(default_factory=Lock)

    def opened(self) -> list[Second]:
        """The photos that can be used; safe to call from several threads."""
        with self._lock:
            if self._opened is None:
                self._opened = []
                for file in self.files:
                    self.notes[file] = {"file": file, "used": False}
                    try:
                        self._opened.append(self.open(file))
                    except FullhideError as error:
                        self.problems.append(error)
            return self._opened

    def note(self, second: Second, found: Companion) -> None:
        """Keep that a photo was used."""
        with self._lock:
            x, y = found.registration.shift_px
            self.notes[second.file] = {
                "file": second.file,
                "used": True,
                "shift_px": [round(x, 1), round(y, 1)],
                "colours_from": second.colours_from,
            }

    def told(self) -> list[dict[str, Any]]:
        """What the photo's `quality` says of them, in the order of the job file."""
        return [self.notes.get(file, {"file": file, "used": False}) for file in self.files]


def judge_together(
    scene: Scene,
    outline: RegionOutline,
    *,
    job: Job,
    entry: PhotoEntry,
    reference: Patch | Reference | TypedReference | None,
    seconds: Seconds,
) -> Judged:
    """Check one region; where the photo cannot decide, with the further photos of the view.

    Parameters and result as `judge.judge_region`.

    Notes
    -----
    A photo that decides alone is not overruled: a second one can show more, not less, and what
    fails has been seen.
    """
    alone = judge_region(scene, outline, job=job, entry=entry, reference=reference)
    result = alone[0]
    if result.verdict != "retake" or not seconds.files or _BEYOND & set(result.flags):
        return alone
    if outline.kind == "edge":
        return _edge(alone, scene, outline, job, entry, seconds)
    beneath = [lab_to_xyz(under.lab) for under in job.under]
    view = scene.view(outline, job.limits)
    others = []
    for second in seconds.opened():
        found = companion(view, second, photo=scene.photo, polygon=outline.polygon, beneath=beneath)
        if isinstance(found, Companion):
            seconds.note(second, found)
            others.append((second, found))
    if not others:
        return _unused(result), *alone[1:]
    limit_mm2 = job.limits.show_through_mm2
    own, found_others = background(view, beneath=beneath), [found for _, found in others]
    whole, ground = joined(view, own, found_others, limit_mm2=limit_mm2)
    differs = changed(view, own, found_others, limit_mm2=limit_mm2)
    # What lies a little beside its place is smeared as by blur; of two photos, by half of it.
    blur = max(scene.blur_px, *(second.blur_px for second, _ in others))
    astray = max(0.5 * found.registration.doubt_px for _, found in others)
    lit = _lit(others, outline, job)
    both = replace(scene, blur_px=float(np.hypot(blur, astray)), looks=1 + len(others))
    return judge_region(
        both,
        outline,
        job=job,
        entry=entry,
        reference=reference,
        seen=Seen(
            view=whole,
            ground=ground,
            changed=differs,
            looks=_looks(scene, lit, job, entry),
            lit=tuple((own, flats) for _, own, flats in lit),
        ),
    )


def _edge(
    alone: Judged,
    scene: Scene,
    outline: RegionOutline,
    job: Job,
    entry: PhotoEntry,
    seconds: Seconds,
) -> Judged:
    """A line between two colours in the further photos, each by itself.

    Those that decide have to say the same, and none may measure what the first one did not. A gap
    is told by its colour: a photo without a chart of its own says nothing.
    """
    view = scene.view(outline, job.limits)
    found: list[Judged] = []
    used = False
    for second in seconds.opened():
        if second.patches is None:
            continue
        laid = companion(view, second, photo=scene.photo, polygon=outline.polygon)
        if not isinstance(laid, Companion):
            continue
        used = True
        seconds.note(second, laid)
        own = replace(scene, blur_px=float(np.hypot(second.blur_px, laid.registration.doubt_px)))
        one = judge_edge(own, outline, job=job, entry=entry, seen=laid.view)
        if one[0].verdict in ("pass", "fail") and _agree(alone[0], one[0]):
            found.append(one)
    if not used:
        return _unused(alone[0]), *alone[1:]
    if len({one[0].verdict for one in found}) != 1:
        return alone
    return found[0]


def _agree(one: RegionResult, other: RegionResult) -> bool:
    """Whether two photos' measures of a line are the same within their doubt."""
    for name in one.measures.keys() & other.measures.keys():
        a, b = one.measures[name], other.measures[name]
        if None not in (a.value, a.u, b.value, b.u):
            doubt = float(np.hypot(a.u or 0.0, b.u or 0.0))
            if abs((a.value or 0.0) - (b.value or 0.0)) > _APART * doubt:
                return False
    return True


def _lit(
    others: Sequence[tuple[Second, Companion]], outline: RegionOutline, job: Job
) -> tuple[tuple[Second, RegionView, Flats], ...]:
    """A panel in each further photo with a chart, for its sheen; empty if nobody asked."""
    if job.limits.sheen is None or outline.kind != "panel":
        return ()
    return tuple(
        (
            second,
            found.view,
            flats_of(
                second.photo,
                to_xyz=second.to_xyz,
                patches=second.patches,
                factor=max(1, round(found.view.factor)),
                mm_per_px=found.view.mm_per_px,
            ),
        )
        for second, found in others
        if second.patches is not None
    )


def _looks(
    scene: Scene,
    lit: Sequence[tuple[Second, RegionView, Flats]],
    job: Job,
    entry: PhotoEntry,
) -> tuple[Look, ...]:
    """Highlights on a panel and its references in each further photo."""
    looks: list[Look] = []
    for second, own, flats in lit:
        references = []
        for other in job.outlines_of(entry.file):
            if other.kind == "reference":
                view = scene.view(other, job.limits)
                laid = companion(view, second, photo=scene.photo, polygon=other.polygon)
                if isinstance(laid, Companion):
                    references.append(shine_of(laid.view, flats=flats))
        if references:
            looks.append((shine_of(own, flats=flats), references, second.light_doubt))
    return tuple(looks)


def _unused(result: RegionResult) -> RegionResult:
    names = (*result.flags, "also_unregistered")
    reasons = (*result.reasons, *wording.flag_reasons(["also_unregistered"]))
    return replace(result, flags=names, reasons=reasons)
