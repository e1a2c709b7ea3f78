"""Sentences of the window that are not the engine's."""

from __future__ import annotations

from fullhide.result import Finding
from napari_fullhide.model import JobModel
from napari_fullhide.style import LOOKS

__all__ = ["KINDS", "finding_line", "first_steps", "standing"]

#: Findings in words, by the check that found them.
KINDS = {
    "show_through": "shows",
    "thin_coat": "thin coat",
    "evenness": "uneven",
    "bands": "stripes",
    "match": "off colour",
}


def finding_line(finding: Finding) -> str:
    """A finding in a few words: what, and which colour."""
    what = KINDS.get(finding.kind, finding.kind.replace("_", " "))
    if finding.under is None:
        return what
    return f"{finding.under} {what}" if what == "shows" else f"{what}, {finding.under}"


def standing(model: JobModel) -> str:
    """How the job stands, in one line or two."""
    if model.job is None:
        return "No job is open"
    counts = model.counts()
    named = [
        f"{counts[state]} {LOOKS[state].word.lower()}"
        for state in ("fail", "retake", "open", "pass")
        if counts[state]
    ]
    still = model.still_open()
    lead = "nothing is open" if not still else f"{still} still open"
    saved = "  ·  outlines not saved" if model.unsaved else ""
    return f"{model.job.name}\n{lead}: {', '.join(named) or 'no regions yet'}{saved}"


def first_steps() -> str:
    """What to do with an empty window."""
    return (
        "Begin here: drop a job folder on this window, or press Ctrl+J to choose one.\n"
        "A job folder holds job.toml and the photos. For an example: File > Open Sample > fullhide."
    )
