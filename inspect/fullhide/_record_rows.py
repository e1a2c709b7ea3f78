"""Events of the record as the data they stand for."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from fullhide import _record_codec
from fullhide._record_data import (
    Carried,
    KeptFile,
    KeptInspection,
    SetAside,
    Signature,
    Withdrawal,
)
from fullhide._record_store import Event

__all__ = ["carried_of", "inspection_of", "inspections_of", "set_asides_of", "signature_of"]


def inspection_of(event: Event) -> KeptInspection:
    return inspections_of([event])[0]


def inspections_of(events: Sequence[Event]) -> tuple[KeptInspection, ...]:
    """Many at once: what was asked is mostly the same for all of them."""
    asked: Any = None
    settings: dict[str, Any] = {}
    found = []
    for event in events:
        raw = json.loads(event.body)
        if raw["asked"] != asked:
            asked, settings = raw["asked"], _record_codec.settings_from(raw["asked"])
        found.append(_inspection(event, raw, settings))
    return tuple(found)


def _inspection(event: Event, raw: dict[str, Any], settings: dict[str, Any]) -> KeptInspection:
    entry = raw["entry"]
    return KeptInspection(
        number=event.number,
        at=event.at,
        by=event.by,
        fullhide=raw["fullhide"],
        photo=_record_codec.photo_from(raw["photo"]),
        outlines=tuple(
            _record_codec.outline_from(outline, photo=raw["photo"]["file"])
            for outline in raw["outlines"]
        ),
        **settings,
        part=entry["part"],
        stage=entry["stage"],
        coat=entry["coat"],
        airbag=entry["airbag"],
        position=entry["position"],
        shot=entry["shot"],
        mm_per_px_given=entry["mm_per_px"],
        run=raw["run"],
        first=event.number,
        first_run=raw["run"],
        first_at=event.at,
        files=tuple(_record_codec.plain_fields(KeptFile, kept) for kept in raw["files"]),
        hash=event.hash,
    )


def carried_of(event: Event) -> Carried:
    return _record_codec.plain_fields(Carried, json.loads(event.body))


def set_asides_of(events: Sequence[Event]) -> tuple[SetAside, ...]:
    gone: dict[int | None, Withdrawal] = {}
    for event in events:
        if event.kind == "withdrawal":
            gone.setdefault(
                event.subject,
                Withdrawal(
                    number=event.number,
                    at=event.at,
                    by=event.by,
                    reason=json.loads(event.body)["reason"],
                ),
            )
    found = []
    for event in events:
        if event.kind == "set_aside":
            raw = json.loads(event.body)
            found.append(
                SetAside(
                    number=event.number,
                    at=event.at,
                    by=event.by,
                    reason=raw["reason"],
                    inspection=event.subject or 0,
                    file=raw["file"],
                    sha256=raw["photo_sha256"],
                    part=raw["part"],
                    region=raw["region"],
                    finding=_record_codec.finding_from(raw["finding"]),
                    withdrawn=gone.get(event.number),
                )
            )
    return tuple(found)


def signature_of(event: Event) -> Signature:
    raw = json.loads(event.body)
    statement = json.loads(raw["statement"])
    return Signature(
        number=event.number,
        at=event.at,
        by=event.by,
        despite=statement["despite"],
        gate=tuple(statement["gate"]),
        files=tuple(_record_codec.plain_fields(KeptFile, kept) for kept in statement["files"]),
        public_key=raw["public_key"],
        signature=raw["signature"],
        statement=raw["statement"],
        hash=event.hash,
    )
