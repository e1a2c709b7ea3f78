"""One region's checks brought together: its verdict, the reasons for it, and what was found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.ask import Asked, asked
from fullhide.checks.outcome import Outcome
from fullhide.findings import findings_of, reasons_of
from fullhide.job import Job
from fullhide.quality import blocking
from fullhide.region import RegionView
from fullhide.result import Measure, RegionResult, Verdict
from fullhide.scene import Scene
from fullhide.verdict import combine

__all__ = ["concluded"]

Box = tuple[int, int, int, int]


def concluded(
    scene: Scene,
    view: RegionView,
    judged: NDArray[np.bool_],
    outcomes: Sequence[Outcome],
    empty: RegionResult,
    flags: list[str],
    job: Job,
) -> tuple[RegionResult, NDArray[np.uint16] | None, Box]:
    """Return one region's verdict of those of its checks, with reasons, measures and findings.

    Parameters
    ----------
    scene, view
        The photo, and the region's pixels.
    judged
        Those of them that the checks rest on.
    outcomes
        Of the checks.
    empty
        The region's result without any of it.
    flags
        Doubts about photo and region.
    job
        Limits, and which parts may hold an airbag.

    Returns
    -------
    result, labels, box
        As `judge.judge_region`.
    """
    airbag = job.airbag(empty.part) or wording.may_hold_airbag(empty.name, empty.part)
    judged_share = float(judged.sum()) / max(1.0, float(view.inside.sum()))
    flags = list(dict.fromkeys([*flags, *(name for o in outcomes for name in o.flags)]))
    verdicts: list[Verdict | None] = []
    reasons: list[str] = []
    settle: list[str] = []
    for outcome in outcomes:
        held = blocking(flags, outcome.check)
        verdict = outcome.verdict
        if held and (verdict == "pass" or not scene.scaled or "damaged" in flags):
            verdict = "retake" if verdict is not None else None
        verdicts.append(verdict)
        if verdict == "retake":
            settle.extend(flag.name for flag in held)
        reasons.extend(
            reasons_of(
                outcome,
                verdict,
                scaled=scene.scaled,
                flat=scene.field.source != "none",
                airbag=airbag,
            )
        )
    if "clipped" in flags:
        verdicts.append("retake")
        settle.append("clipped")
    verdict = combine(verdicts)
    ask = Asked()
    if verdict == "retake":
        settle.extend(name for o in outcomes if o.verdict == "retake" for name in o.flags)
        ask = asked(
            outcomes,
            view,
            doubts=settle,
            flags=flags,
            mm_per_px=scene.mm_per_px if scene.scaled else None,
            longer_px=max(scene.photo.size_px),
            looks=scene.looks,
            airbag=airbag,
        )
    reasons.extend(ask.reasons if verdict == "retake" else wording.flag_reasons(settle))
    if verdict == "pass":
        of_edge = empty.kind == "edge"
        passed = wording.edge_passed_reason if of_edge else wording.passed_reason
        reasons.insert(0, passed(job.limits, judged_share))
    if airbag:  # a flag knows nothing of airbags
        reasons = [*map(wording.without_work, reasons), wording.AIRBAG_NOTICE]
    findings, labels = findings_of(outcomes, view, scaled=scene.scaled)
    measures = {name: m for o in outcomes for name, m in o.measures.items()}
    measures["judged_share"] = Measure(value=judged_share, u=None, limit=None, unit="1")
    if not scene.scaled:  # neither an area nor an angle of sight without a scale
        lengths = {name for name in measures if name.startswith("edge_")}
        for name in {"show_through_mm2", "visible_delta_e", *lengths} & measures.keys():
            measures[name] = replace(measures[name], value=None, u=None)
    detectable = next((o.detectable_mm2 for o in outcomes if o.detectable_mm2 is not None), None)
    result = replace(
        empty,
        verdict=verdict,
        reasons=tuple(dict.fromkeys(reasons)),
        measures=measures,
        detectable_mm2=detectable if scene.scaled else None,
        findings=findings,
        flags=tuple(flags),
        ask_mm_per_px=ask.mm_per_px,
        unseen_px=ask.unseen,
        reference=next((o.reference for o in outcomes if o.reference is not None), None),
    )
    return result, labels, view.box
