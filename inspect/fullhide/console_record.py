"""What a person sees of a job's standing on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping

from fullhide import wording
from fullhide.console import SCOPE, printable
from fullhide.lights import lights_words
from fullhide.outlines import BANDS
from fullhide.proof import Proof, key_print
from fullhide.record import SetAside, Signature
from fullhide.result import TintHint
from fullhide.standing import Answered, RegionStanding, Round, Standing
from fullhide.wording import AIRBAG_NOTICE, AIRBAG_UNKNOWN

__all__ = ["rounds_words", "show_proof", "show_rounds", "show_signature", "show_standing"]

_STYLES = {
    "pass": "green",
    "set aside": "yellow",
    "not yet": "bold yellow",
    "fail": "bold red",
    "retake": "bold yellow",
    "missing": "bold yellow",
    "OPEN": "bold green",
    "CLOSED": "bold red",
}
_WIDTH = 9
#: More spots than this are counted.
_MOST_SPOTS = 20


def show_standing(
    standing: Standing, tints: Mapping[tuple[str | None, str], TintHint] | None = None
) -> None:
    """Print parts, regions, what stands against each, tint help by part and name, and the gate."""
    newest = [region.newest for region in standing.regions]
    widths = (
        max((len(_name(region)) for region in standing.regions), default=0),
        max((len(one.inspection.photo.file) for one in newest if one is not None), default=0),
    )
    for part in standing.parts:
        if not part.regions:
            continue
        _line(part.name or "photos without a part")
        for region in part.regions:
            _show_region(region, widths)
            hint = (tints or {}).get((region.part, region.name))
            if hint is not None:
                _line(f"  {'':<{_WIDTH}}  - {hint.says}")
    loose = [item for item in standing.gate.against if item.region is None]
    for item in loose:
        _line(f"! {item.says}")
    for text in lights_words(standing.lights or ()):
        _line(f"{text}.")
    for text in _notes(standing):
        _line(text)
    mark = "OPEN" if standing.gate.open else "CLOSED"
    _line(f"{mark}  {standing.job.name}: {standing.gate.says}.", mark)
    _line(SCOPE)


def _notes(standing: Standing) -> Iterator[str]:
    count = len(standing.set_asides)
    if count:
        what = "1 finding is set aside" if count == 1 else f"{count} findings are set aside"
        yield f"{what} on a person's word."
    signed = standing.signed
    if signed is not None:
        despite = f" despite: {signed.despite}" if signed.despite else ""
        yield f"Signed by {signed.by}, {signed.at}{despite}."
    elif standing.signatures:
        last = standing.signatures[-1]
        yield f"Signed by {last.by}, {last.at}; added to since: sign again."
    if any(entry.stage == "coat" for entry in standing.job.photos):
        yield "It has photos between coats: `fullhide coats` tells how near each has come."
    yield from _airbags(standing)


def _airbags(standing: Standing) -> Iterator[str]:
    """What is said of parts that may hold an airbag, whatever their verdict."""
    names = [part.name or "photos without a part" for part in standing.parts if part.airbag]
    if names:
        yield f"{', '.join(names)}: {AIRBAG_NOTICE} {AIRBAG_UNKNOWN}"


def _show_region(region: RegionStanding, widths: tuple[int, int]) -> None:
    newest = region.newest
    word = region.word
    file = "" if newest is None else newest.inspection.photo.file
    rounds = rounds_words(newest) if newest is not None and newest.number > 1 else ""
    cells = (f"{word:<{_WIDTH}}", f"{_name(region):<{widths[0]}}", f"{file:<{widths[1]}}", rounds)
    _line("  " + "  ".join(cells).rstrip(), word)
    said = [item.says.removeprefix(f"{word}: ") for item in region.against]
    if newest is not None and word == newest.result.verdict:
        # The gate names the first reason; who does the work needs them all.
        own = [why.rstrip(".") for why in newest.result.reasons if why != AIRBAG_NOTICE]
        said[1:1] = map(wording.without_work, own[1:]) if region.airbag else own[1:]
    asides = [spot.set_aside for spot in (newest.spots if newest is not None else ())]
    said += [aside_words(aside) for aside in asides if aside is not None]
    for text in said:
        _line(f"  {'':<{_WIDTH}}  - {text}")


def _name(region: RegionStanding) -> str:
    newest = region.newest
    name = region.name + (f" ({region.kind})" if region.kind in BANDS else "")
    if newest is None or not newest.result.proposed:
        return name
    carried = newest.inspection.named(newest.result)
    return name + (" (carried over)" if carried else " (proposed)")


def aside_words(aside: SetAside) -> str:
    """A set-aside in one line."""
    spot = aside.finding
    size = "" if spot.area_mm2 is None else f", {wording.size(spot.area_mm2)}"
    under = f" ({spot.under}{size})" if spot.under else size
    return f"finding {spot.id}{under} set aside by {aside.by}: {aside.reason}"


def rounds_words(one: Round) -> str:
    """How a round answers the earlier spots, in one line; empty if there was none."""
    counts = one.counts
    earlier = sum(count for answer, count in counts.items() if answer != "new")
    told = [
        f"{counts[answer]} {answer}"
        for answer in ("gone", "smaller", "still there", "not judged")
        if counts.get(answer)
    ]
    new = counts.get("new", 0)
    parts = [f"round {one.number}"]
    if earlier:
        spots = "1 earlier spot" if earlier == 1 else f"{earlier} earlier spots"
        parts.append(f"of {spots} {', '.join(told)}")
    if new:
        parts.append(f"{new} new")
    return "; ".join(parts)


def show_rounds(standing: Standing, photos: set[str]) -> None:
    """Print the answers of re-shot photos, and what in any of them is set aside.

    `photos` are the SHA-256 of those to tell of.
    """
    for region in standing.regions:
        newest = region.newest
        if newest is None:
            continue
        where = f"{region.part}: " if region.part else ""
        if newest.number > 1 and newest.inspection.photo.sha256 in photos:
            _line(f"{where}{region.name}, {newest.inspection.photo.file}: {rounds_words(newest)}.")
            for spot in newest.spots[:_MOST_SPOTS]:
                _line(f"  {spot.mark:>3}  {spot.answer:<11}  {spot_words(spot)}")
            if len(newest.spots) > _MOST_SPOTS:
                _line(f"  and {len(newest.spots) - _MOST_SPOTS} more: see the report")
        for one in region.rounds:
            for spot in one.spots if one.inspection.photo.sha256 in photos else ():
                if spot.finding is not None and spot.set_aside is not None:
                    file = one.inspection.photo.file
                    _line(f"{where}{region.name}, {file}: {aside_words(spot.set_aside)}.")


def spot_words(spot: Answered) -> str:
    """What a spot was and is, in one line."""
    shown = spot.finding or spot.earlier
    told = [shown.under] if shown is not None and shown.under else []
    before, now = (
        [f.area_mm2 for f in found if f is not None]
        for found in ([spot.earlier], spot.pieces or [spot.finding])
    )
    sizes = [
        wording.size(sum(area or 0.0 for area in areas))
        for areas in (before, now)
        if areas and None not in areas
    ]
    told += [" to ".join(sizes)] if sizes else []
    if spot.finding is not None:
        told.append(f"finding {spot.finding.id}")
    if len(spot.pieces) > 1:
        told.append(f"in {len(spot.pieces)} pieces")
    return ", ".join(told) + (f": {spot.why}" if spot.why else "")


def show_signature(signature: Signature, standing: Standing) -> None:
    """Print what was signed, and the seal."""
    _line(f"{standing.job.name}: signed by {signature.by}, {signature.at}.")
    if signature.despite:
        _line(f"Despite: {signature.despite}")
        for says in signature.gate:
            _line(f"  - {says}")
    if signature.public_key:
        _line(f"Key: {key_print(signature.public_key)}")
    _line(f"Seal: {signature.hash}")
    for text in _airbags(standing):
        _line(text)
    _line(SCOPE)


def show_proof(proof: Proof) -> None:
    """Print what was altered, if anything."""
    for item in proof.altered:
        _line(f"ALTERED: {item.says}.")
    for note in proof.notes:
        _line(f"Note: {note}.")
    counted = f"{proof.events} events and {proof.files} files were looked at"
    signature = proof.signature
    if signature is not None:
        key = f", key {proof.key}" if proof.key else ", without a key"
        _line(f"Signed by {signature.by}, {signature.at}{key}.")
    _line(f"{'Nothing was altered' if proof.sound else 'Something was altered'}: {counted}.")
    _line(f"Seal: {proof.seal}")


def _line(text: str, word: str = "") -> None:
    """One line; on a terminal the verdict stands out."""
    plain = printable(text)
    if not (word and sys.stdout.isatty()):
        print(plain)  # noqa: T201
        return
    from rich.console import Console
    from rich.text import Text

    styled = Text(plain)
    place = plain.index(word)  # it stands before any name
    styled.stylize(_STYLES.get(word, ""), place, place + len(word))
    Console().print(styled, soft_wrap=True)
