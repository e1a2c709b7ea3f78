"""The hiding curves as the pages tell them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from fullhide.coats_job import Coats, RegionCoats, coats_of, has_coats
from fullhide.coats_words import HEADINGS, coat_cells, says
from fullhide.report import words
from fullhide.report.known import Known
from fullhide.report.page import CoatPoint, CoatsFacts

__all__ = ["coats_facts", "with_coats"]


def with_coats(known: Known) -> Known:
    """The same with the hiding curves of a job that has photos between coats: these are opened."""
    if known.coats is not None or not has_coats(known.job):
        return known
    coats = coats_of(known.job)
    problems = (*known.problems, *map(str, coats.problems))
    return replace(known, coats=coats, problems=tuple(dict.fromkeys(problems)))


def coats_facts(coats: Coats) -> Iterator[CoatsFacts]:
    """Each region's curve."""
    for region in coats.regions:
        told = [*says(region.curve, airbag=region.airbag)]
        told += [f"{out.file} is left out: {out.why}" for out in region.left_out]
        name = f"{region.part}: {region.region}" if region.part else region.region
        curve = region.curve
        yield CoatsFacts(
            part=region.part or "",
            name=name,
            limit=0.0 if curve is None else curve.limit,
            says=tuple(words.sentence(text) for text in told),
            head=HEADINGS,
            rows=() if curve is None else tuple(coat_cells(coat) for coat in curve.coats),
            points=tuple(_points(region)),
            airbag=region.airbag,
            alt=_alt(region, name),
        )


def _points(region: RegionCoats) -> Iterator[CoatPoint]:
    for coat in () if region.curve is None else region.curve.coats:
        far = coat.to_finish
        if far is None:
            yield CoatPoint(coat=coat.coat, kind=coat.kind)
        else:
            yield CoatPoint(
                coat=coat.coat,
                kind=coat.kind,
                delta_e=far.value,
                at_least=far.at_least,
                at_most=far.at_most,
            )


def _alt(region: RegionCoats, name: str) -> str:
    told = [
        f"{'before' if point.coat == 0 else f'coat {point.coat}'}: {point.delta_e:.1f}"
        for point in _points(region)
        if point.delta_e is not None
    ]
    return f"Hiding curve of {name}, ΔE to the finish. {'; '.join(told)}."
