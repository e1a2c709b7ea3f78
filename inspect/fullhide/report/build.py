"""From what was inspected to the facts on the pages."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from fullhide import __version__, wording
from fullhide.coats_words import FOOT
from fullhide.colour import lab_to_xyz, xyz_to_srgb8
from fullhide.errors import JobError
from fullhide.files import why as reason_of
from fullhide.job import JOB_FILE, Colour, Job
from fullhide.lights import lights_words
from fullhide.report import words
from fullhide.report.coats import coats_facts
from fullhide.report.known import Inspected, Known
from fullhide.report.page import (
    Asked,
    Mark,
    Measured,
    Outline,
    Page,
    Part,
    PhotoFacts,
    Region,
    Shop,
    Spot,
    Word,
)
from fullhide.report.pairs import pairs_of
from fullhide.result import Finding, PhotoResult

__all__ = ["page_of"]

#: A logo larger than this would make every page heavy (our own choice), bytes.
_MOST_LOGO = 1 << 20
_LOGO_TYPES = {b"\x89PNG": "png", b"\xff\xd8\xff": "jpeg"}
#: Findings whose marks are brackets around a patch, not a ring around a spot.
_PATCHES = frozenset(
    {"evenness", "thin_coat", "match", "odd_patch", "bleed", "gap", "overspray"}
    | {"glossy_spot", "dull_spot"}
)
#: Mark of a place to look at, which has no number.
_LOOK = "?"
_ORDER: tuple[Word, ...] = ("fail", "retake", "missing", "not yet", "pass", "not judged")


def page_of(known: Known, *, now: dt.datetime | None = None) -> Page:
    """Return the facts of all pages.

    Parameters
    ----------
    known
        What is known of the job.
    now
        Time to write on the pages, with its time zone; the present if absent.

    Raises
    ------
    JobError
        If the shop's logo cannot be used.
    """
    now = now or dt.datetime.now().astimezone()
    job = known.job
    table = _job_table(job.folder)
    curves = () if known.coats is None else known.coats.regions
    photos = _photos(known)
    regions = [_region(item, photos) for item in known.inspected]
    parts = _parts(regions, photos, known)
    counts: Counter[Word] = Counter(region.word for region in regions)
    airbag = any(part.airbag for part in parts) or any(one.airbag for one in curves)
    return Page(
        job=job.name,
        version=__version__,
        when=f"{now.day} {now:%B %Y, %H:%M}",
        when_utc=now.astimezone(dt.UTC).isoformat(timespec="seconds"),
        headline=_headline(counts, sum(len(region.set_aside) for region in regions)),
        gate=known.gate,
        shop=_shop(job.folder, table),
        counts=tuple((word, counts[word]) for word in _ORDER if counts[word]),
        colours=_colours(job),
        limits=words.limits_of(
            job.limits,
            frozenset(table.get("limits", {})),
            edges=any(region.kind == "edge" for region in regions),
        ),
        confidence=job.limits.confidence,
        parts=parts,
        coats=() if known.coats is None else tuple(coats_facts(known.coats)),
        coats_note="" if known.coats is None else FOOT,
        photos=tuple(photos.values()),
        signatures=known.signatures,
        problems=tuple(
            words.sentence(words.inside(problem, job.folder)) for problem in known.problems
        ),
        notes=(words.PASS_LINE, words.DELTA_E),
        privacy=words.PLATES,
        scope=wording.SCOPE,
        cautions=((words.AIRBAG,) if airbag else ()) + words.CAUTIONS,
        inspections=known.inspections,
        lights=tuple(f"{text}." for text in lights_words(known.lights)),
    )


def _job_table(folder: Path) -> dict[str, Any]:
    """What stands in `job.toml`; empty for photos without one."""
    try:
        return tomllib.loads((folder / JOB_FILE).read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError):
        return {}


def _shop(folder: Path, table: Mapping[str, Any]) -> Shop:
    shop = table.get("shop", {})
    name, file = str(shop.get("name", "")), shop.get("logo")
    if not file:
        return Shop(name=name)
    path = folder / str(file)
    try:
        with path.open("rb") as stream:
            data = stream.read(_MOST_LOGO + 1)
    except OSError as error:
        raise JobError(
            path, f"the logo cannot be read ({reason_of(error)})", "correct `logo` in [shop]"
        ) from None
    kind = next((kind for magic, kind in _LOGO_TYPES.items() if data.startswith(magic)), "")
    if len(data) > _MOST_LOGO:
        raise JobError(path, "the logo is larger than 1 MB", "make it smaller")
    if not kind or not _opens(path):
        raise JobError(path, "the logo is no picture", "save it as PNG or JPEG")
    return Shop(name=name, logo=data, logo_type=kind)


def _opens(path: Path) -> bool:
    from PIL import Image

    try:
        with Image.open(path, formats=["PNG", "JPEG"]) as image:
            image.load()
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return False
    return True


def _colours(job: Job) -> tuple[Asked, ...]:
    return (
        *(_asked("must not show", colour) for colour in job.under),
        *(_asked("asked for", colour) for colour in [job.finish] if colour),
        *(_asked("thread, may be seen", colour) for colour in job.thread),
    )


def _asked(what: str, colour: Colour) -> Asked:
    red, green, blue = (int(v) for v in xyz_to_srgb8(lab_to_xyz(colour.lab)))
    shown = f"#{red:02x}{green:02x}{blue:02x}"
    return Asked(what=what, name=colour.name, lab=colour.lab, shown=shown)


# ---------------------------------------------------------------- photos


def _photos(known: Known) -> dict[str, PhotoFacts]:
    """Photos by file, in the order of the record; lettered where a part has several."""
    shown: dict[str, tuple[PhotoResult, str]] = {}
    groups: dict[str, list[Inspected]] = {}
    for item in known.inspected:
        if item.photo is not None:
            shown.setdefault(item.photo.file, (item.photo, item.part))
            groups.setdefault(item.photo.file, []).append(item)
    stages: dict[str, str] = {}
    for item in known.inspected:
        if item.before is not None:
            photo, stage = item.before
            shown.setdefault(photo.file, (photo, item.part))
            stages.setdefault(photo.file, stage)
    entries = {entry.file: entry for entry in known.job.photos}
    many = Counter(part for photo, part in shown.values() if _spots_in(groups, photo))
    used: Counter[str] = Counter()
    facts = {}
    for number, (photo, part) in enumerate(shown.values(), 1):
        letter = ""
        if _spots_in(groups, photo) and many[part] > 1:
            letter = _letter(used[part])
            used[part] += 1
        mine = groups.get(photo.file, [])
        entry = next((i.entry for i in mine if i.entry), entries.get(photo.file))
        stage = words.stage_words(entry.stage, entry.coat) if entry else "finished"
        stage = stage if mine else stages.get(photo.file, stage)
        facts[photo.file] = _photo(photo, mine, stage, f"p{number}", part, letter)
    return facts


def _spots_in(groups: Mapping[str, Sequence[Inspected]], photo: PhotoResult) -> bool:
    return any(item.findings for item in groups.get(photo.file, ()))


def _letter(index: int) -> str:
    return chr(65 + index) if index < 26 else f"{chr(64 + index // 26)}{chr(65 + index % 26)}"


def _photo(
    photo: PhotoResult,
    items: Sequence[Inspected],
    stage: str,
    key: str,
    part: str,
    letter: str,
) -> PhotoFacts:
    marks = [
        Mark(
            label=f"{letter}{finding.id}",
            word=_word(item),
            box_px=finding.box_px,
            patch=finding.kind in _PATCHES,
        )
        for item in items
        for finding in item.findings
    ]
    # The few places that could hide a spot: where a reason says "look there".
    marks += [
        Mark(label=_LOOK, word="retake", box_px=box, patch=True)
        for item in items
        for box in item.region.unseen_px
    ]
    outlines = [_outline(item) for item in items if item.outline is not None]
    return PhotoFacts(
        key=key,
        file=photo.file,
        part=part,
        stage=stage,
        sha256=photo.sha256,
        size_px=photo.size_px,
        mm_per_px=photo.mm_per_px,
        letter=letter,
        chart_residual_delta_e=photo.chart.residual_delta_e,
        trust=words.trust_words(photo),
        outlines=tuple(outline for outline in outlines if outline),
        marks=tuple(sorted(marks, key=lambda mark: (len(mark.label), mark.label))),
        alt=_alt(part, stage, items),
    )


def _outline(item: Inspected) -> Outline | None:
    outline = item.outline
    if outline is None:
        return None
    return Outline(
        name=outline.name,
        kind=outline.kind,
        word=_word(item),
        ring=tuple((float(x), float(y)) for x, y in outline.polygon),
        holes=tuple(tuple((float(x), float(y)) for x, y in hole) for hole in outline.holes),
    )


def _alt(part: str, stage: str, items: Sequence[Inspected]) -> str:
    told = [f"{item.region.name}: {_word(item)}" for item in items]
    count = sum(len(item.findings) for item in items)
    marked = f" {words.plural(count, 'place is', 'places are')} marked." if count else ""
    return f"Photo of {part}, {stage}. {'; '.join(told)}.{marked}".replace(". .", ".")


# ---------------------------------------------------------------- regions


def _word(item: Inspected) -> Word:
    if item.missing or item.photo is None:
        return "missing"
    return item.word or item.region.verdict or "not judged"


def _region(item: Inspected, photos: Mapping[str, PhotoFacts]) -> Region:
    region, word = item.region, _word(item)
    facts = photos[item.photo.file] if item.photo is not None else None
    share = region.measures.get("judged_share")
    why = (item.missing,) if item.missing else (*item.against, *region.reasons)
    if region.unseen_px and not item.missing:
        count = len(region.unseen_px)
        there = "the place is" if count == 1 else f"the {count} places are"
        why = (*why, f"{there} marked with {_LOOK} in the photo")
    if item.airbag:
        # The notice stands once with the part.
        why = tuple(wording.without_work(text) for text in why if wording.AIRBAG_NOTICE not in text)
    return Region(
        name=region.name,
        part=item.part,
        kind=region.kind,
        word=word,
        verdict=region.verdict or "",
        photo=facts.key if facts else "",
        why=tuple(words.sentence(text) for text in why),
        proposed=region.proposed,
        airbag=item.airbag,
        judged_share=share.value if share else None,
        detectable_mm2=region.detectable_mm2,
        measures=tuple(
            Measured(
                key=name,
                what=words.measure_words(name),
                value=measure.value,
                u=measure.u,
                limit=measure.limit,
                unit=measure.unit,
            )
            for name, measure in region.measures.items()
        ),
        spots=tuple(_spot(finding, item, facts) for finding in item.findings) if facts else (),
        set_aside=item.set_aside,
        rounds=item.rounds,
        tint=words.sentence(item.tint) if item.tint else "",
    )


def _spot(finding: Finding, item: Inspected, facts: PhotoFacts) -> Spot:
    outline = _outline(item)
    return Spot(
        number=finding.id,
        label=f"{facts.letter}{finding.id}",
        kind=finding.kind,
        under=finding.under,
        what=words.spot_words(finding),
        size=wording.size(finding.area_mm2) if finding.area_mm2 is not None else "",
        where=words.where_words(finding, outline, facts.size_px),
        do=words.do_words(finding.kind, item.region.verdict, airbag=item.airbag),
        area_mm2=finding.area_mm2,
        delta_e=finding.delta_e,
        share=finding.share,
        centre_px=finding.centre_px,
        box_px=finding.box_px,
        along_seam_mm=finding.along_seam_mm,
        depth_mm=finding.depth_mm,
        answer=item.answers.get(finding.id, ""),
    )


# ---------------------------------------------------------------- the whole


def _parts(
    regions: Iterable[Region], photos: Mapping[str, PhotoFacts], known: Known
) -> tuple[Part, ...]:
    by_part: dict[str, list[Region]] = {}
    for region in regions:
        by_part.setdefault(region.part, []).append(region)
    current = {item.photo.file for item in known.inspected if item.photo is not None}
    pairs = pairs_of(photos, known)
    parts = []
    for name, mine in by_part.items():
        here = [photo for photo in photos.values() if photo.part == name]
        present = {region.word for region in mine}
        parts.append(
            Part(
                name=name,
                word=next((word for word in _ORDER if word in present), "not judged"),
                airbag=any(region.airbag for region in mine) or wording.may_hold_airbag(name),
                regions=tuple(mine),
                photos=tuple(photo.key for photo in here if photo.file in current),
                pairs=tuple(pairs.get(name, ())),
            )
        )
    return tuple(parts)


def _headline(counts: Mapping[Word, int], aside: int) -> str:
    text = _standing_words(counts)
    if aside:
        # Never silent: whoever reads only this line has to know.
        text += f" {words.plural(aside, 'finding was', 'findings were')} set aside by a person."
    return text


def _standing_words(counts: Mapping[Word, int]) -> str:
    judged = sum(counts.get(word, 0) for word in ("pass", "fail", "retake", "not yet"))
    if not judged:
        return "Nothing has been judged yet."
    told = []
    if fail := counts.get("fail", 0):
        told.append(f"{fail} of {words.plural(judged, 'region', 'regions')} still need work")
    if retake := counts.get("retake", 0):
        told.append(f"{words.plural(retake, 'region has', 'regions have')} to be shot again")
    if missing := counts.get("missing", 0):
        told.append(f"{words.plural(missing, 'region was', 'regions were')} never photographed")
    if late := counts.get("not yet", 0):
        told.append(f"{words.plural(late, 'region has', 'regions have')} to be looked at again")
    if not told:
        if judged == 1:
            return "The one region that was judged passes."
        return f"All {judged} regions that were judged pass."
    return words.sentence("; ".join(told))
