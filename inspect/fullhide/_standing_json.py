"""The standing of a job as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fullhide._record_codec import finding_json
from fullhide._standing_data import Against, Answered, RegionStanding, Round, Standing
from fullhide.record import SetAside
from fullhide.result import TintHint, light_json, tint_json
from fullhide.wording import without_work

__all__ = ["to_json"]

SCHEMA = 1


def to_json(
    standing: Standing, tints: Mapping[tuple[str | None, str], TintHint] | None = None
) -> dict[str, Any]:
    """Plain data, ready for `json.dumps`; what is not known is None.

    `tints` is the tint help by part and region.
    """
    told_tints = tints or {}
    told = {
        "schema": SCHEMA,
        "job": standing.job.name,
        "at": standing.at,
        "gate": {
            "open": standing.gate.open,
            "says": standing.gate.says,
            "against": [_against(item) for item in standing.gate.against],
        },
        "parts": [
            {
                "name": part.name,
                "listed": part.listed,
                "airbag": part.airbag,
                "regions": [
                    _region(region, told_tints.get((region.part, region.name)))
                    for region in part.regions
                ],
            }
            for part in standing.parts
        ],
        "set_asides": [_set_aside(aside) for aside in standing.set_asides],
        "signatures": [
            {
                "at": signature.at,
                "by": signature.by,
                "despite": signature.despite or None,
                "seal": signature.hash,
                "keyed": bool(signature.public_key),
                "current": signature is standing.signed,
            }
            for signature in standing.signatures
        ],
        "inspections": standing.inspections,
        "seal": standing.seal,
    }
    if standing.lights is not None:
        told["lights"] = [light_json(finding) for finding in standing.lights]
    return told


def _against(item: Against) -> dict[str, Any]:
    return {
        "reason": item.reason,
        "part": item.part,
        "region": item.region,
        "says": item.says,
    }


def _region(region: RegionStanding, tint: TintHint | None) -> dict[str, Any]:
    return {
        "name": region.name,
        "kind": region.kind,
        "required": region.required,
        "airbag": region.airbag,
        "verdict": region.verdict,
        "stands": region.stands,
        "word": region.word,
        "against": [_against(item) for item in region.against],
        "rounds": [_round(one, airbag=region.airbag) for one in region.rounds],
        "tint": None if tint is None else tint_json(tint),
    }


def _round(one: Round, *, airbag: bool) -> dict[str, Any]:
    shot, reasons = one.inspection, one.result.reasons
    return {
        "number": one.number,
        "photo": shot.photo.file,
        "sha256": shot.photo.sha256,
        "stage": shot.stage,
        "coat": shot.coat,
        "shot": shot.shot,
        "inspected": shot.at,
        "by": shot.by,
        "fullhide": shot.fullhide,
        "verdict": one.result.verdict,
        "reasons": [without_work(why) for why in reasons] if airbag else list(reasons),
        "spots": [_spot(spot) for spot in one.spots],
    }


def _spot(spot: Answered) -> dict[str, Any]:
    return {
        "mark": spot.mark,
        "answer": spot.answer,
        "finding": None if spot.finding is None else finding_json(spot.finding),
        "earlier_photo": spot.earlier_file,
        "why": spot.why or None,
        "by_outline": spot.by_outline,
        "set_aside": None if spot.set_aside is None else spot.set_aside.number,
    }


def _set_aside(aside: SetAside) -> dict[str, Any]:
    return {
        "number": aside.number,
        "at": aside.at,
        "by": aside.by,
        "reason": aside.reason,
        "photo": aside.file,
        "part": aside.part,
        "region": aside.region,
        "finding": finding_json(aside.finding),
    }
