"""Verdicts in the words of the bench: what to do, and where."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from fullhide.job import EDGE_MM, Limits
from fullhide.quality import FLAGS
from fullhide.result import Matched

__all__ = [
    "AIRBAG_NOTICE",
    "AIRBAG_UNKNOWN",
    "EDGE_WORK",
    "NOT_THE_FINISH",
    "NO_UNDER",
    "OPEN_SEAM",
    "SCOPE",
    "SECOND_PHOTO",
    "difference_reason",
    "edge_fault",
    "edge_passed_reason",
    "edge_reason",
    "evenness_reason",
    "flag_reasons",
    "match_reason",
    "maybe_undyed",
    "nearer_reason",
    "may_hold_airbag",
    "passed_reason",
    "reference_words",
    "side_names",
    "size",
    "spots_reason",
    "straight_reason",
    "thin_reason",
    "unseen_reason",
    "without_work",
]

SCOPE = (
    "Appearance check from photographs. It does not assess adhesion, wear, fastness, "
    "flammability, airbag function, safety or legality."
)
AIRBAG_NOTICE = (
    "This region may contain an airbag or tear seam. Do not refinish, heat, glue, fill or resew "
    "it unless the vehicle maker's instructions allow it and a qualified person does the work."
)
#: Said where a whole part is spoken of; apart, so that kept reasons still hold the notice.
AIRBAG_UNKNOWN = "This tool cannot tell whether a seam will open correctly."
SECOND_PHOTO = (
    "a second photo may settle it: keep the camera where it is, move the lamp to the other side, "
    "give plenty of light, take the same view again and name it under `also` in job.toml"
)
NOT_THE_FINISH = (
    "the region's colour is not the [finish] of job.toml: look whether it is the right part and "
    "dye, or correct job.toml, and take it again in even light with the chart beside it"
)
OPEN_SEAM = "part of this seam lies in the dark: spread it open or turn it so that light falls in"
MOVE_LAMP = (
    "in plenty of light; then once more from the same place with the lamp moved to the other side, "
    "and name that photo under `also` in job.toml"
)
NO_UNDER = (
    "no colour beneath is named, so nothing can be looked for: name it with [[under]] in "
    "job.toml or with --under"
)
AIRBAG_REFER = "refer to the vehicle maker or a qualified airbag technician"
#: Differences (L*, a*, b*; lightness halved) from which on one is named, and is more than slight,
#: and is much (our own choice).
_NAMED_FROM, _SLIGHTLY, _MUCH = 0.2, 2.0, 6.0
# Places where makers put airbags; common practice, no source for the list being complete.
_AIRBAG_WORDS = (
    "airbag",
    "air bag",
    "srs",
    "bolster",
    "pillar",
    "headliner",
    "head liner",
    "headlining",
    "head lining",
    "roof lining",
    "steering",
    "curtain",
)
_WORK = re.compile(
    r"touch(ed)? (it |them )?up|\b(another|next|more) coats?\b|\bspray|\bdye it\b|\bre-coat"
)


def may_hold_airbag(*names: str | None) -> bool:
    """Whether a region's or part's name speaks of a place where an airbag may be."""
    text = " ".join(name.lower() for name in names if name)
    text = " ".join(text.replace("-", " ").replace("_", " ").split())
    passenger_side = "passenger" in text and "dash" in text  # in either order
    return passenger_side or any(word in text for word in _AIRBAG_WORDS)


def without_work(text: str) -> str:
    """A reason as it is told of a place where an airbag may be: whom to ask instead of any work.

    What was inspected before job.toml spoke of an airbag still holds the advice of then.
    """
    for work in _WORK.finditer(text):
        colon = text.rfind(": ", 0, work.start())
        if colon >= 0:  # otherwise it is the name of a colour
            return f"{text[:colon]}: {AIRBAG_REFER}"
    return text


def size(area_mm2: float) -> str:
    """An area in mm² as a person says it."""
    if area_mm2 < 10:
        return f"{area_mm2:.1f} mm²"
    return f"{float(f'{area_mm2:.2g}'):.0f} mm²"


def _places(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"


def spots_reason(
    under: str,
    spots: Sequence[tuple[float | None, tuple[float, float] | None]],
    *,
    sure: bool,
    airbag: bool,
) -> str:
    """Sentence on the spots of one colour beneath: (area, stretch along the seam) each."""
    shows = "shows through" if sure else "may show through"
    text = f"{under} {shows} at {_places(len(spots))}"
    known = [spot for spot in spots if spot[0] is not None]
    if known:
        area, along = max(known, key=lambda spot: spot[0] or 0.0)
        lead = ", the largest " if len(spots) > 1 else ", "
        text += lead + size(area or 0.0)
        if along is not None:
            text += f" from {along[0]:.0f} to {along[1]:.0f} mm along the seam"
    if not sure:
        text += ": too near the limit to tell; look there"
        return text if airbag else text + ", and touch it up if it shows"
    if airbag:
        return f"{text}: {AIRBAG_REFER}"
    return text + ": touch up and shoot again"


def thin_reason(under: str, areas_mm2: Sequence[float | None], *, sure: bool, airbag: bool) -> str:
    """Sentence on the thin coats over one colour beneath."""
    text = f"the coat {'is' if sure else 'may be'} thin over {under} at {_places(len(areas_mm2))}"
    known = [area for area in areas_mm2 if area]
    if known:
        text += (", the largest " if len(areas_mm2) > 1 else ", ") + size(max(known))
    if not sure:
        return text + ": too near the limit, or too like shade or shine, to tell"
    if airbag:
        return f"{text}: {AIRBAG_REFER}"
    # Not a spot at a time, which leaves a rim: common practice, no source.
    return text + ": no touch-up, spray another coat over the panel and shoot again"


def passed_reason(limits: Limits, judged_share: float) -> str:
    """What a pass says, and of how much of the region."""
    return (
        f"no show-through of {limits.show_through_mm2:g} mm² or more at "
        f"{limits.show_through_delta_e:g} ΔE was found in the judged area "
        f"({100 * judged_share:.0f} % of the region)"
    )


def evenness_reason(value: float, limit: float, *, verdict: str, flat: bool) -> str:
    """Sentence on uneven colour."""
    if verdict == "fail":
        return f"the colour is uneven: patches differ by {value:.1f} ΔE, the limit is {limit:g}"
    text = f"the colour may be uneven ({value:.1f} ΔE, the limit is {limit:g})"
    if flat:
        return text + ": too near the limit to tell; take it again with the light more even"
    return text + ": photograph a plain grey board in the same light and name it as `grey_board`"


def bands_reason(
    period_mm: float, direction_deg: float, delta_e: float, *, sure: bool, airbag: bool
) -> str:
    """Sentence on stripes: how far apart, which way they run (0 left to right, 90 upwards)."""
    ways = (
        "from left to right",
        "from bottom left to top right",
        "up and down",
        "from top left to bottom right",
    )
    way = ways[round(direction_deg / 45.0) % 4]
    text = f"stripes {period_mm:.0f} mm apart, running {way}, {delta_e:.1f} ΔE off the middle"
    if not sure:
        return text
    if airbag:
        return f"{text}: {AIRBAG_REFER}"
    # Across and half over the last pass: common practice, no source.
    return (
        f"{text}: spray the next coat across them, each pass half over the last, at an even "
        "distance and speed"
    )


def unseen_reason(count: int, along_mm: tuple[float, float] | None, *, airbag: bool) -> str:
    """What to do about a few places that could hide a spot."""
    text = f"only {_places(count)} could hide a spot"
    if along_mm is not None:
        lead = ", the largest " if count > 1 else ", "
        text += f"{lead}from {along_mm[0]:.0f} to {along_mm[1]:.0f} mm along the seam"
    text += (
        ": look there; where it is a hole, a stitch, piping or a mark of the material, outline it "
        "as `ignore`"
    )
    return text if airbag else text + ", and where it is a spot, touch it up"


def undyed(under: str, *, airbag: bool) -> str:
    """Sentence on a region that is a colour beneath all over."""
    to_do = AIRBAG_REFER if airbag else "dye it"
    return f"the whole region is the colour of {under}, not of the finish: {to_do}"


def maybe_undyed(under: str) -> str:
    """Sentence on a region that looks more like a colour beneath than like the finish."""
    return (
        f"the whole region looks more like {under} than like the finish: look whether it was dyed, "
        "then take it again in full, even light with the chart beside it"
    )


def unnamed_finish(under: str) -> str:
    """Sentence on a region that is a colour beneath, where no finish was named."""
    return (
        f"the region itself looks like {under}: name the [finish] colour in job.toml, so that the "
        "two can be told apart"
    )


def nearer_reason(mm_per_px: float, longer_px: int, *, places: bool, dark: bool = False) -> str:
    """How near the next photo has to be, by what its longer side shows; of a few places or all.

    `dark`: of a seam into which light has to fall first.
    """
    across = mm_per_px * longer_px / 10.0
    shown = f"{across:.0f} cm" if across >= 10 else f"{across:.1f} cm"
    what = (
        "if you cannot tell there, take it" if places else "take the region, in parts if need be,"
    )
    first = f"{OPEN_SEAM}, then " if dark else ""
    return (
        f"{first}{what} again from so near that the picture's longer side shows {shown} at most, "
        f"{MOVE_LAMP}"
    )


def reference_words(reference: Matched | None) -> str:
    """What a colour was held against, as it stands in a sentence."""
    if reference is None or reference.kind == "beside":
        return "the reference part"
    if reference.kind == "photo":
        return f"the reference part in {reference.name}"
    return f'the typed reference "{reference.name}"'


def match_reason(
    value: float,
    limit: float,
    *,
    verdict: str,
    reference: Matched | None = None,
    k_l: float = 2.0,
) -> str:
    """Sentence on the match with the reference, which lies beside the panel if absent."""
    what = reference_words(reference)
    by = f"{value:.1f} ΔE{_weighed(k_l)}, the limit is {limit:g}"
    if verdict == "fail":
        return f"the colour is off {what} by {by}"
    how = {"photo": "in two photos ", "typed": "by the chart alone "}
    settle = {
        "photo": "take the part and the reference in one photo, side by side in even light, with "
        "the chart",
        "typed": "lay a sample of that colour beside the part, outline it as `reference` and take "
        "it again",
    }
    kind = "beside" if reference is None else reference.kind
    beside = "lay both side by side in even light and take it again"
    return (
        f"the match with {what} is too near the limit to tell {how.get(kind, '')}({by}): "
        f"{settle.get(kind, beside)}"
    )


def _weighed(k_l: float) -> str:
    """How lightness counts, where it does not count half as between grained parts."""
    if k_l == 2.0:
        return ""
    return " with lightness in full" if k_l == 1.0 else f" with lightness over {k_l:g}"


def difference_reason(
    parts: Sequence[float],
    doubts: Sequence[float],
    *,
    k: float,
    reference: Matched | None = None,
    k_l: float = 2.0,
) -> str:
    """Which way a colour is off the reference, by ΔL*, Δa*, Δb* and their uncertainties.

    A word is said only where the difference stands out of its uncertainty by `k` times. How much
    is "slightly" and "much" is our own choice.
    """
    words = (("darker", "lighter"), ("greener", "redder"), ("bluer", "yellower"))
    # Lightness counts half between grained parts (kL = 2).
    told = [
        (abs(part) / (k_l if axis == 0 else 1.0), words[axis][int(part > 0)])
        for axis, (part, u) in enumerate(zip(parts, doubts, strict=True))
        if abs(part) > k * u and abs(part) >= _NAMED_FROM
    ]
    against = reference_words(reference)
    if not told:
        return f"no difference in colour from {against} can be made out"
    most = max(size for size, _ in told)
    named = [word for size, word in sorted(told, reverse=True) if size >= 0.3 * most]
    lead = "slightly " if most < _SLIGHTLY else "much " if most >= _MUCH else ""
    listed = f"{', '.join(named[:-1])} and {named[-1]}" if len(named) > 1 else named[0]
    return f"{lead}{listed} than {against}"


def side_names(first: Sequence[float], second: Sequence[float]) -> tuple[str, str]:
    """What two colours beside one line are called, by Lab: by lightness, or else by hue."""
    axes = (("lighter", "darker"), ("redder", "greener"), ("yellower", "bluer"))
    parts = [b - a for a, b in zip(first, second, strict=True)]
    # Lightness is what a person sees first.
    axis = max(range(3), key=lambda i: abs(parts[i]) * (2.0 if i == 0 else 1.0))
    high, low = (f"the {word} colour" for word in axes[axis])
    return (low, high) if parts[axis] > 0 else (high, low)


def edge_fault(kind: str, name: str | None, depth_mm: float | None) -> str:
    """A fault at a masked line, such as "cream bleeds 1.2 mm over the line"."""
    if kind == "gap":
        wide = "" if depth_mm is None else f" {depth_mm:.1f} mm wide"
        return f"{name or 'a colour beneath'} shows in a gap{wide} between the two colours"
    reach = "" if depth_mm is None else f"{depth_mm:.1f} mm "
    if kind == "overspray":
        reach = "" if depth_mm is None else f"up to {depth_mm:.0f} mm "
        return f"overspray of {name or 'one colour'} {reach}beyond the line"
    return f"{name or 'one colour'} bleeds {reach}over the line"


#: What is to be done about a fault at a masked line: common practice, no source.
EDGE_WORK = {
    "bleed": "tape the line again and touch up with the colour it lies on",
    "gap": "tape the line again and touch up",
    "overspray": "tape the line again and touch up the side it lies on",
}


def edge_reason(
    kind: str,
    faults: Sequence[tuple[str | None, float | None, tuple[float, float] | None]],
    *,
    sure: bool,
    airbag: bool,
) -> str:
    """Sentence on the faults of one kind at a line: (colour, depth, stretch along it) each."""
    name, depth, along = max(faults, key=lambda fault: fault[1] or 0.0)
    text = edge_fault(kind, name, depth)
    if along is not None:
        text += f" from {along[0]:.0f} to {along[1]:.0f} mm"
    if len(faults) > 1:
        text += f", the largest of {_places(len(faults))}"
    if not sure:
        return text + ": too near the limit to tell; look there"
    return f"{text}: {AIRBAG_REFER if airbag else EDGE_WORK[kind] + ', and shoot again'}"


def straight_reason(value: float, limit: float, *, sure: bool, airbag: bool) -> str:
    """Sentence on a line that leaves its course."""
    text = f"the line wavers by {value:.1f} mm about its course, the limit is {limit:g} mm"
    if not sure:
        return text + ": too near the limit to tell; take it again from nearer"
    work = "tape it again and touch up, and shoot again"
    return f"{text}: {AIRBAG_REFER if airbag else work}"


def edge_passed_reason(limits: Limits, judged_share: float) -> str:
    """What a pass of a masked line says."""
    mm = limits.edge_mm or EDGE_MM
    return (
        f"no bleed and no gap of {mm:g} mm or more, and no overspray of "
        f"{limits.show_through_delta_e:g} ΔE beyond {mm:g} mm, was found along the line "
        f"({100 * judged_share:.0f} % of the outline seen)"
    )


def flag_reasons(names: Iterable[str]) -> list[str]:
    """What is the matter and the photo that would settle it, for each flag that asks for one."""
    present = set(names)
    return [
        f"{flag.says}: {flag.settle}"
        for flag in FLAGS.values()
        if flag.name in present and flag.settle
    ]
