"""Sentences of the window that are not the engine's."""

from __future__ import annotations

from pathlib import Path

from fullhide import wording
from fullhide.job import Job
from fullhide.opened import Prepared
from fullhide.probe import Place
from fullhide.quality import FLAGS
from fullhide.record import SetAside
from fullhide.result import Finding
from napari_fullhide.model import JobModel
from napari_fullhide.state import PhotoState
from napari_fullhide.style import LOOKS

__all__ = [
    "KINDS",
    "counted",
    "finding_line",
    "first_steps",
    "no_part",
    "photo_name",
    "reading",
    "region_text",
    "still_open",
]

#: Findings in words, by the check that found them.
KINDS = {
    "show_through": "shows",
    "thin_coat": "thin coat",
    "evenness": "uneven",
    "bands": "stripes",
    "match": "off colour",
    "glossy_spot": "glossier",
    "dull_spot": "duller",
}


def finding_line(finding: Finding, aside: SetAside | None = None) -> str:
    """A finding in a few words: what, and which colour; or why it is set aside."""
    if aside is not None:
        return f"set aside: {aside.reason}"
    if finding.kind in wording.EDGE_WORK:
        deep = "" if finding.depth_mm is None else f" {finding.depth_mm:.1f} mm"
        return f"{finding.kind}{deep}, {finding.under}"
    what = KINDS.get(finding.kind, finding.kind.replace("_", " "))
    if finding.under is None:
        return what
    return f"{finding.under} {what}" if what == "shows" else f"{what} over {finding.under}"


def still_open(model: JobModel) -> str:
    """How much of the job is still to be done, as few words as there are."""
    if model.job is None:
        return "No job is open"
    still = model.still_open()
    if still:
        return f"{still} still open"
    # A job of nothing but references, or of no photo at all, is no job that passes.
    counts = model.counts()
    if counts["aside"]:
        return "Passed, by what was set aside"
    return "All passed" if counts["pass"] else "Nothing to judge yet"


def counted(model: JobModel) -> str:
    """The job's name and its regions by verdict."""
    if model.job is None:
        return ""
    counts = model.counts()
    named = [
        f"{counts[state]} {LOOKS[state].word.lower()}"
        for state in ("fail", "retake", "open", "aside", "pass")
        if counts[state]
    ]
    aside = sum(len(r.asides) for photo in model.photos for r in photo.regions())
    if aside:
        named.append(f"{aside} finding{'s' if aside > 1 else ''} set aside")
    saved = "\nOutlines are not saved yet" if model.unsaved else ""
    return f"{model.job.name}: {', '.join(named) or 'no regions yet'}{saved}"


def first_steps() -> str:
    """What to do with an empty window."""
    return (
        "Begin here: drop a job folder on this window, or press J to choose one. "
        "A job folder holds job.toml and the photos.\n"
        "For an example: File > Open Sample > fullhide."
    )


def no_part() -> str:
    """What stands where job.toml names no part."""
    return "no part named"


def photo_name(photo: PhotoState, *, part: bool) -> str:
    """A photo in the list: by its part, or by its file under the part's heading."""
    name = Path(photo.entry.file).name
    coat = f" {photo.entry.coat}" if photo.entry.coat is not None else ""
    stage = "" if photo.entry.stage == "final" else f", {photo.entry.stage}{coat}"
    mark = " *" if photo.unsaved else ""
    return (photo.entry.part if part and photo.entry.part else name) + stage + mark


def region_text(model: JobModel, ready: Prepared | None) -> str:
    """What is known of the region looked at; of the photo where none is chosen."""
    photo = model.current
    if photo is None:
        return "The job has no photo that can be used."
    if photo.error is not None:
        return str(photo.error)
    region = model.selected_region()
    if region is None:
        return _photo_text(photo, ready)
    lead = f"{LOOKS[region.state].word}  {region.name}"
    asides = [
        f"Finding {number} is set aside: {aside.reason} ({aside.by}, {aside.at[:10]})."
        for number, aside in region.asides.items()
    ]
    reasons = region.result.reasons if region.result is not None else ()
    return "\n".join([lead, *asides, *(f"{reason[:1].upper()}{reason[1:]}." for reason in reasons)])


def _photo_text(photo: PhotoState, ready: Prepared | None) -> str:
    """What is known of the photo itself: its size and scale, and every doubt about it."""
    lines = [Path(photo.entry.file).name]
    if ready is not None:
        scene = ready.scene
        width, height = scene.photo.size_px
        scale = f", {scene.mm_per_px:.3f} mm a pixel" if scene.scaled else ""
        lines[0] += f"  ({width} × {height}{scale})"
        flags = [FLAGS[name] for name in scene.flags if name in FLAGS]
        lines += [f"! {flag.says}" + (f": {flag.settle}" * bool(flag.settle)) for flag in flags]
    return "\n".join(lines)


def reading(place: Place | None, job: Job | None, at: tuple[float, float] | None) -> str:
    """What is under the pointer, in three lines.

    Parameters
    ----------
    place
        From the engine; None where it has nothing to say yet.
    job
        None where none is open.
    at
        Where the pointer is, photo pixels; None outside the photo.
    """
    if job is None:
        return ""
    if at is None:
        return "Point at the photo to read a place."
    if place is None:
        return "Reading the photo …"
    lab = "L {:.1f}  a {:.1f}  b {:.1f}".format(*place.lab)
    against = "" if place.delta_e is None else f"ΔE {place.delta_e:.1f} to {place.against}"
    if place.share is not None:
        beneath = f"{place.under} shows {100 * place.share:.0f} %"
    elif job.under:
        beneath = "share beneath: one place alone cannot tell"
    else:
        beneath = ""
    where = (
        "no scale"
        if place.at_mm is None
        else "{:.0f} mm across, {:.0f} mm down".format(*place.at_mm)
    )
    doubt = "" if place.calibrated else "  (no chart: relative)"
    lines = (f"{lab}{doubt}", against or "nothing to hold it against", beneath)
    return "\n".join([lines[0], "  ·  ".join(filter(None, lines[1:])), _there(place, where)])


def _there(place: Place, where: str) -> str:
    return f"{place.region}  ·  {where}" if place.region else where
