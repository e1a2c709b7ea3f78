"""The words of the pages: for a shop and its customer, without jargon."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from statistics import NormalDist

from fullhide import wording
from fullhide.job import EDGE_MM, EDGE_STRAIGHT_MM, Limits
from fullhide.quality import FLAGS
from fullhide.report.page import Box, Limit, Measured, Outline, Page, Region, SetAside, Word
from fullhide.result import Finding, PhotoResult, Verdict

__all__ = [
    "AIRBAG",
    "CAUTIONS",
    "DELTA_E",
    "PASS_LINE",
    "PLATES",
    "SWATCHES",
    "VERDICTS",
    "aside_words",
    "checked_words",
    "do_words",
    "figure_words",
    "inside",
    "limit_words",
    "limits_of",
    "measure_limit_words",
    "measure_words",
    "measured_words",
    "plain_number",
    "plural",
    "sentence",
    "shown_verdicts",
    "spot_words",
    "stage_words",
    "trust_words",
    "unit_words",
    "where_words",
]

#: What a verdict means, beside its word.
VERDICTS: Mapping[Word, str] = {
    "pass": "nothing over the limits was found",
    "fail": "something is left to do",
    "retake": "the photo cannot decide; another one is needed",
    "not yet": "its last photo passed, but something else stands against it",
    "not judged": "nothing was to be judged here",
    "missing": "no photo shows it yet",
}
DELTA_E = (
    "ΔE says how different two colours are: the larger, the plainer (CIEDE2000, an international "
    "formula)."
)
PASS_LINE = (
    "A pass says that nothing larger than the limits was found in the judged area, under the "
    "light of the photo. What could not be judged was not assessed."
)
PLATES = (
    "Photos may show number plates or other things that tell whose vehicle this is. Look through "
    "them before you pass this page on."
)
AIRBAG = f"{wording.AIRBAG_NOTICE} {wording.AIRBAG_UNKNOWN}"
SWATCHES = "The colour fields are as near as a screen or a printer comes: do not match by them."
CAUTIONS = tuple(
    """
Use heat only as the product's and the material's maker state; keep heat away from airbag modules, \
wiring and belts.
Follow the product's label, technical data sheet and safety data sheet, local law and your \
employer's respirator programme. Products or crosslinkers with isocyanates need the controls that \
their safety data sheet states. Do not rely on this page for advice on exposure.
Do not cover, paint or remove identification plates, certification or airbag labels. Where a label \
is in the way, mask it and leave it out of the check.
Added coatings may change burn behaviour. Rules differ by country and by who does the work: ask \
the product's maker for its test data (FMVSS 302, ISO 3795) and check local requirements.
Where local codes, the vehicle maker or a licensed professional say otherwise, follow them.
""".strip().splitlines()
)

_LIMITS = {
    "show_through_delta_e": "A colour beneath counts as showing from this difference on",
    "show_through_mm2": "… over at least this area",
    "uneven_delta_e": "Patches of one surface may differ by at most",
    "match_delta_e": "Difference from the reference, at most",
    "match_k_l": "… in which lightness counts so many times less (2 is for grain, 1 for smooth)",
    "sheen": "The highlight may be so many times the reference's or its surroundings', or they its",
    "edge_mm": "At a line between two colours: a bleed or a gap counts from",
    "edge_straight_mm": "… and 95 % of the line lies off its course by at most",
    "confidence": "How sure a pass or a fail has to be",
    "viewing_distance_mm": "Distance from which it is looked at (no verdict rests on it)",
}
_MEASURES = {
    "show_through_mm2": "Largest spot that shows a colour beneath",
    "visible_delta_e": "How plainly a person sees it",
    "uneven_delta_e": "Unevenness of the colour",
    "match_delta_e": "Difference from the reference",
    "match_at_least": "… surely at least",
    "match_at_most": "… surely at most",
    "match_dL": "… lighter (+) or darker",
    "match_da": "… redder (+) or greener",
    "match_db": "… yellower (+) or bluer",
    "match_dC": "… stronger (+) or duller in colour",
    "match_dH": "… turned in hue (+ from red to yellow to green)",
    "match_L": "… the panel's own lightness L*",
    "match_a": "… the panel's own a*",
    "match_b": "… the panel's own b*",
    "match_ab": "… how the doubts of a* and b* go together, −1 to 1",
    "match_grade": "… as a grey-scale grade, 5 best (coefficients from memory)",
    "sheen_ratio": "Highlight, times the reference's (no gloss units)",
    "sheen_at_least": "… surely at least",
    "sheen_at_most": "… surely at most",
    "sheen_sharper": "… glints sharper (+) or broader",
    "sheen_within": "A place of 15 mm would show from so many times its surroundings' highlight on",
    "sheen_spot_at_least": "… the largest found is surely at least so many times",
    "sheen_spot_at_most": "… the largest found is surely at most so many times",
    "edge_bleed": "Furthest that a colour runs over the line",
    "edge_straightness": "95 % of the line lies within this distance of its course",
    "edge_gap": "Widest gap between the two colours",
    "edge_length": "Length of the line that was judged",
    "overspray_delta_e": "Overspray beyond the line",
    "judged_share": "Share of the region that could be judged",
    "band_period_mm": "Distance between stripes",
    "band_direction_deg": "Direction of stripes (0 is left to right)",
    "L": "Colour: lightness L*",
    "a": "Colour: a* (green to red)",
    "b": "Colour: b* (blue to yellow)",
}
_KINDS = {
    "thin_coat": "thin coat",
    "evenness": "uneven colour",
    "match": "off the reference colour",
    "glossy_spot": "glossier than around it",
    "dull_spot": "duller than around it",
    "something_else": "something that is neither the finish nor a named colour beneath",
}
_DO = {
    "show_through": "spot touch-up",
    "thin_coat": "another coat",
    "evenness": "another coat, evenly",
    "glossy_spot": "look under a low lamp; re-coat the panel with top coat",
    "dull_spot": "look under a low lamp; re-coat the panel with top coat",
}
_LIGHT = {
    "grey board": "How evenly the light falls is known from a photo of a grey board.",
    "neutral surround": "How evenly the light falls is known from the surroundings in the photo.",
}


def plural(count: int, one: str, many: str) -> str:
    """``1 place``, ``3 places``."""
    return f"{count} {one if count == 1 else many}"


def sentence(text: str) -> str:
    """Return `text` as a sentence of its own."""
    text = text.strip().rstrip(".")
    if not text:
        return ""
    # The name of a file or table stays as it is written.
    plain = not set("./_`[=") & set(text.split(maxsplit=1)[0])
    return f"{text[:1].upper() if plain else text[:1]}{text[1:]}."


def inside(text: str, folder: Path) -> str:
    """A message without the path of the job folder: whoever reads the page does not have it."""
    return text.replace(f"{folder}/", "") if folder.name else text


def plain_number(value: float | None, digits: int = 3) -> str:
    """A number with so many significant digits, never in powers of ten; empty for None."""
    if value is None or not math.isfinite(value):
        return ""
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    rounded = round(value, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{rounded:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def unit_words(unit: str) -> str:
    """A unit as it stands behind a number."""
    if unit in ("1", "CIE D50"):
        return ""
    if unit == "deg":
        return "°"
    # What the formula is called in full stands in the exports.
    return unit.replace("S-CIELAB ΔE", "ΔE").replace("ΔE00", "ΔE").partition(", kL ")[0]


def measure_words(key: str) -> str:
    """What a measure is, in plain words."""
    return _MEASURES.get(key, key.replace("_", " "))


def limits_of(limits: Limits, written: frozenset[str], *, edges: bool = False) -> tuple[Limit, ...]:
    """Every limit of a job; `written` are the keys that stand in its `job.toml`.

    `edges` says whether it has lines between two colours, whose limits are told then.
    """
    usual = {"edge_mm": EDGE_MM, "edge_straight_mm": EDGE_STRAIGHT_MM} if edges else {}
    return tuple(
        Limit(
            key=item.name,
            what=_LIMITS.get(item.name, item.name.replace("_", " ")),
            value=float(value),
            unit=_unit(item.name),
            source="written in job.toml" if item.name in written else "fullhide's default",
        )
        for item in fields(limits)
        if isinstance(value := getattr(limits, item.name) or usual.get(item.name), int | float)
        and not isinstance(value, bool)
    )


def _unit(key: str) -> str:
    endings = {"_delta_e": "ΔE", "_mm2": "mm²", "_mm": "mm", "_deg": "°"}
    return next((unit for ending, unit in endings.items() if key.endswith(ending)), "1")


def stage_words(stage: str, coat: int | None) -> str:
    """When in the work a photo was taken."""
    if stage == "coat":
        return f"after coat {coat}" if coat else "between coats"
    return {"before": "before the work", "topcoat": "after the topcoat"}.get(stage, "finished")


def shown_verdicts(page: Page) -> tuple[tuple[Word, str], ...]:
    """Each word that stands on the page, with what it means."""
    used = {region.word for region in page.regions} | {part.word for part in page.parts}
    used |= {one.word for region in page.regions for one in region.rounds}
    return tuple((word, means) for word, means in VERDICTS.items() if word in used)


def spot_words(finding: Finding) -> str:
    """What shows."""
    if finding.kind == "show_through":
        return f"{finding.under or 'a colour beneath'} shows"
    if finding.kind in wording.EDGE_WORK:
        return wording.edge_fault(finding.kind, finding.under, finding.depth_mm)
    what = _KINDS.get(finding.kind, finding.kind.replace("_", " "))
    return f"{what} over {finding.under}" if finding.under else what


def do_words(kind: str, verdict: Verdict | None, *, airbag: bool) -> str:
    """What to do about a finding; never any work where an airbag may be."""
    if verdict == "pass":
        return "nothing: it is within the limits"
    if airbag:
        return wording.AIRBAG_REFER
    if verdict == "retake":
        return "look here: the photo cannot tell"
    return _DO.get(kind) or wording.EDGE_WORK.get(kind, "look at it")


def where_words(finding: Finding, outline: Outline | None, size_px: tuple[int, int]) -> str:
    """Where a finding lies: along its seam in mm, else in which corner of its region."""
    if finding.along_seam_mm is not None:
        start, end = finding.along_seam_mm
        what = "line" if finding.kind in wording.EDGE_WORK else "seam"
        return f"{start:.0f} to {end:.0f} mm along the {what}"
    box: Box = (0, 0, *size_px)
    of = "picture"
    if outline is not None:
        xs, ys = zip(*outline.ring, strict=True)
        box, of = (int(min(xs)), int(min(ys)), int(max(xs)), int(max(ys))), "region"
    place = [
        _third(value, low, high)
        for value, low, high in zip(finding.centre_px, box[:2], box[2:], strict=True)
    ]
    across = ("left", "middle", "right")[place[0]]
    down = ("upper ", "", "lower ")[place[1]]
    return f"{down}{across} of the {of}"


def _third(value: float, low: float, high: float) -> int:
    return min(2, max(0, int(3 * (value - low) / max(high - low, 1))))


def trust_words(photo: PhotoResult) -> tuple[str, ...]:
    """How far a photo can be trusted, a sentence each."""
    chart = photo.chart
    told = []
    if chart.found:
        text = "The colour chart was found and read"
        if chart.residual_delta_e is not None:
            text += f"; its colours come out within ΔE {chart.residual_delta_e:.1f} on average"
        told.append(text + ".")
    else:
        told.append("No colour chart was found: colours are only relative.")
    if photo.mm_per_px:
        told.append(f"Scale: {1 / photo.mm_per_px:.1f} pixels to a millimetre.")
    else:
        told.append("The scale is not known, so no sizes are given.")
    told.append(
        _LIGHT.get(str(photo.quality.get("light_from")), "How evenly the light falls is not known.")
    )
    # What the sentences above have said already is left out.
    said = {"no_chart", "no_scale", "no_flat_field"}
    flags = [FLAGS[name] for name in photo.quality.get("flags", ()) if name in FLAGS]
    told += [sentence(flag.says) for flag in flags if flag.name not in said]
    return tuple(dict.fromkeys(told))


#: Two-sided 95 % of a normal distribution: `u` times this stands after ±.
_EXPANDED = NormalDist().inv_cdf(0.975)


def measured_words(measure: Measured) -> str:
    """Value, ± and unit of a measure, or that it is not known."""
    if measure.value is None:
        return "not known"
    if measure.unit == "1":
        return f"{100 * measure.value:.0f} %"
    if not measure.u:
        text = plain_number(measure.value)
    else:
        # The value ends where its doubt does.
        doubt = _EXPANDED * measure.u
        places = max(0, 1 - math.floor(math.log10(doubt)))
        text = f"{measure.value:.{places}f} ± {doubt:.{places}f}"
    return f"{text} {unit_words(measure.unit)}".strip()


def measure_limit_words(measure: Measured) -> str:
    """The limit that a measure is held against; empty without one."""
    if measure.limit is None:
        return ""
    return f"{plain_number(measure.limit)} {unit_words(measure.unit)}".strip()


def limit_words(limit: Limit) -> str:
    """A limit with its unit."""
    if limit.unit == "1":
        return f"{plain_number(100 * limit.value)} %"
    return f"{plain_number(limit.value, 4)} {limit.unit}"


def checked_words(page: Page) -> str:
    """How much was checked, in one sentence."""
    judged = [region for region in page.regions if region.verdict]
    seams = sum(region.kind == "seam" for region in judged)
    what = plural(len(judged), "region", "regions")
    if seams:
        what += f", {seams} of them {'a seam' if seams == 1 else 'seams'},"
    parts = plural(len(page.parts), "part", "parts")
    return f"{what} of {parts} in {plural(len(page.photos), 'photo', 'photos')}.".replace(",.", ".")


def bands_words(page: Page) -> str:
    """What is laid straight on the page."""
    kinds = {region.kind for region in page.regions}
    if "edge" not in kinds:
        return "Seams"
    return "Seams and edges" if "seam" in kinds else "Edges"


def aside_words(item: SetAside) -> str:
    """A finding that was set aside: what, why, who, when."""
    who = ", ".join(text for text in (item.by, item.when) if text)
    return f"{item.what} – “{item.reason}”" + (f" ({who})" if who else "")


def figure_words(region: Region) -> tuple[str, ...]:
    """What was measured in a region, its limits and its doubts, a phrase each."""
    told = []
    for measure in region.measures:
        if measure.value is None and measure.limit is None:
            continue
        limit = measure_limit_words(measure)
        text = f"{measure.what}: {measured_words(measure)}"
        told.append(text + (f" (limit {limit})" if limit else ""))
    if region.detectable_mm2 is not None:
        smallest = plain_number(region.detectable_mm2, 2)
        told.append(f"Smallest spot that this photo would have shown: {smallest} mm²")
    return tuple(told)
