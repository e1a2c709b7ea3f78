"""What the job's record holds, as the pages take it."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

from fullhide import wording
from fullhide.job import Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.record import KeptInspection, Record
from fullhide.record import SetAside as KeptSetAside
from fullhide.record import Signature as KeptSignature
from fullhide.report import words
from fullhide.report.known import Inspected, Known
from fullhide.report.page import Gate, Round, SetAside, Signature, Word
from fullhide.result import PhotoResult, RegionResult
from fullhide.standing import Against, Answer, RegionStanding, Standing, standing
from fullhide.standing import Round as KeptRound
from fullhide.tint_job import standing_tints

__all__ = ["known_of_record", "known_of_standing", "signature_of"]

#: More than this is counted instead of told one by one.
_MOST_AGAINST = 20
_NO_PARTS = (
    "Nobody has written down yet which regions and seams have to be photographed, so one may be "
    "missing ([[part]] in job.toml)"
)
_IN_HEADLINE = re.compile(r"fail|taken again|never shot|lists no part|not listed")
_ANSWERS: tuple[Answer, ...] = ("gone", "smaller", "still there", "not judged", "new")


def known_of_record(job: Job, record: Record | None = None) -> Known:
    """What a job's record tells of it; parameters and errors as `standing.standing`."""
    return known_of_standing(standing(job, record))


def known_of_standing(standing: Standing) -> Known:
    """The same of a standing that was read already."""
    job = standing.job
    tints, wrong = standing_tints(standing)
    said = {place: hint.says for place, hint in tints.items()}
    return Known(
        job=job,
        inspected=tuple(
            replace(
                _inspected(job, region, part.name), tint=said.get((region.part, region.name), "")
            )
            for part in standing.parts
            for region in part.regions
        ),
        gate=_gate(standing),
        signatures=tuple(
            signature_of(one, last_change=standing.last_change) for one in standing.signatures
        ),
        problems=tuple(str(problem) for problem in (*job.problems, *filter(None, [wrong]))),
        inspections=standing.inspections,
        lights=standing.lights or (),
    )


def _gate(standing: Standing) -> Gate:
    says, _, counted = standing.gate.says.partition(": ")
    # What stands against a region is told beside it; inputs stand among the problems.
    every = standing.gate.against
    apart = [_apart(item) for item in every if item.region is None and item.reason != "input"]
    # What the headline has counted already is left out.
    counted = ", ".join(text for text in counted.split(", ") if not _IN_HEADLINE.search(text))
    against = [counted, *apart[:_MOST_AGAINST]] if counted else apart[:_MOST_AGAINST]
    if len(apart) > _MOST_AGAINST:
        against.append(f"and {len(apart) - _MOST_AGAINST} more of these")
    return Gate(
        open=standing.gate.open,
        says=says[:1].upper() + says[1:],
        against=tuple(words.sentence(text) for text in against),
    )


def _apart(item: Against) -> str:
    """What stands against the part or job as a whole."""
    says = _NO_PARTS if item.reason in ("no parts", "part not listed") else item.says
    return f"{item.part}: {says}" if item.part else says


def signature_of(kept: KeptSignature, *, last_change: int) -> Signature:
    """A signature as the pages tell it; `last_change` is `Contents.last_change`."""
    holds = kept.number > last_change
    return Signature(
        by=kept.by,
        when=when_words(kept.at),
        despite=kept.despite,
        note="" if holds else "Something was added or changed after this signature.",
        seal=kept.hash,
        keyed=bool(kept.signature),
    )


def _inspected(job: Job, region: RegionStanding, part: str | None) -> Inspected:
    newest = region.newest
    if newest is None:
        missing = region.against[0].says if region.against else "no photo shows it"
        return Inspected(
            part=part or region.name,
            photo=None,
            region=RegionResult(
                name=region.name, part=part, kind=region.kind, proposed=False, verdict=None
            ),
            missing=missing,
            airbag=region.airbag,
        )
    shot = newest.inspection
    before, outline = _before(job, region, shot) or (None, None)
    told = {piece.id: spot for spot in newest.spots for piece in spot.pieces}
    asides = [aside for aside in region.set_asides if aside.sha256 == shot.photo.sha256]
    return Inspected(
        part=part or region.name,
        photo=shot.photo,
        region=newest.result,
        word=_word(region),
        entry=PhotoEntry(file=shot.photo.file, part=part, stage=shot.stage, coat=shot.coat),
        outline=shot.outline(region.name),
        before=before,
        before_outline=outline,
        # Its own verdict is told by its reasons; another photo of the round may fail on a spot.
        against=tuple(a.says for a in region.against if a.reason != newest.result.verdict),
        # In a first round every spot is new: nothing to say.
        answers={number: s.answer for number, s in told.items()} if len(region.rounds) > 1 else {},
        covered=frozenset(number for number, s in told.items() if s.set_aside is not None),
        set_aside=tuple(_set_aside(aside) for aside in asides),
        rounds=tuple(_round(one) for one in region.rounds),
        airbag=region.airbag,
    )


def _word(region: RegionStanding) -> Word:
    if region.stands == "pass" and region.against:
        return "not yet"
    return region.stands or "not judged"


def _before(
    job: Job, region: RegionStanding, now: KeptInspection
) -> tuple[tuple[PhotoResult, str], RegionOutline | None] | None:
    """The region before the work, else as it was shot first, and its outline there."""
    if region.before is not None:
        kept, stage = region.before, "before the work"
    elif len(region.rounds) > 1:
        kept = region.rounds[0].inspection
        stage = f"first round, {words.stage_words(kept.stage, kept.coat)}"
    else:
        return None
    if kept.photo.file == now.photo.file or not job.path(kept.photo.file).is_file():
        return None
    return (kept.photo, stage), kept.outline(region.name)


def _set_aside(kept: KeptSetAside) -> SetAside:
    size = kept.finding.area_mm2
    what = words.spot_words(kept.finding) + (f", {wording.size(size)}" if size else "")
    if kept.withdrawn is not None:
        what += f" – taken back by {kept.withdrawn.by}: “{kept.withdrawn.reason}”"
    return SetAside(what=what, reason=kept.reason, by=kept.by, when=when_words(kept.at))


def _round(kept: KeptRound) -> Round:
    counts = kept.counts
    changes = [f"{counts[answer]} {answer}" for answer in _ANSWERS if counts.get(answer)]
    return Round(
        number=kept.number,
        when=when_words(kept.inspection.shot or kept.inspection.at),
        word=kept.result.verdict or "not judged",
        photo=kept.inspection.photo.file,
        changes=", ".join(changes) if kept.number > 1 else "",
        by=kept.inspection.by,
    )


def when_words(at: str) -> str:
    """A time as a person writes it, in the local zone; as it stands if it is no time."""
    try:
        when = dt.datetime.fromisoformat(at)
    except ValueError:
        return at
    # A camera's time has no zone and is meant as it stands.
    when = when.astimezone() if when.tzinfo is not None else when
    return f"{when.day} {when:%B %Y, %H:%M}"
