"""Measures, findings and rounds as tables, the same rows as CSV and as JSON."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Sequence

from fullhide.report.page import Page, Region, Spot

__all__ = ["exports", "tables"]

SCHEMA = 1
Cell = str | float | int | None
Row = dict[str, Cell]
#: What a spreadsheet would take for a formula at the start of a cell.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def tables(page: Page) -> dict[str, list[Row]]:
    """Tables by name, each row with its headings; units stand in the headings.

    Returns
    -------
    dict
        ``"measures"`` has a row a region, ``"findings"`` a row a spot, ``"rounds"`` a row a photo
        of a region.
    """
    return {
        "measures": _filled([_measures(page, region) for region in page.regions]),
        "findings": [
            _finding(page, region, spot) for region in page.regions for spot in region.spots
        ],
        "rounds": [
            {
                **_place(page, region),
                "round": one.number,
                "when": one.when,
                "photo": one.photo,
                "verdict": one.word,
                "what changed": one.changes,
                "inspected by": one.by,
            }
            for region in page.regions
            for one in region.rounds
        ],
    }


def exports(page: Page) -> dict[str, bytes]:
    """Files by name: a CSV a table, and all tables as one JSON; UTF-8."""
    told = tables(page)
    whole = {
        "schema": SCHEMA,
        "job": page.job,
        "fullhide": page.version,
        "made": page.when_utc,
        "gate": {"open": page.gate.open, "says": page.gate.says, "against": page.gate.against},
        "signed": [
            {"by": s.by, "when": s.when, "despite": s.despite, "note": s.note, "seal": s.seal}
            for s in page.signatures
        ],
        "scope": page.scope,
        "problems": page.problems,
        "limits": {f"{limit.key} [{limit.unit}]": limit.value for limit in page.limits},
        **told,
    }
    if page.lights:
        whole["lights"] = page.lights
    text = json.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    files = {f"{name}.csv": _csv(rows) for name, rows in told.items()}
    return {**files, "export.json": text.encode(errors="backslashreplace")}


def _place(page: Page, region: Region) -> Row:
    return {
        "job": page.job,
        "part": region.part,
        "region": region.name,
        "kind": region.kind,
        # As on every page.
        "signed despite": "; ".join(s.despite for s in page.despite),
    }


def _measures(page: Page, region: Region) -> Row:
    facts = page.photo(region.photo) if region.photo else None
    row: Row = {
        **_place(page, region),
        "photo": facts.file if facts else "",
        "photo sha256": facts.sha256 if facts else "",
        "stage": facts.stage if facts else "",
        "stands": region.word,
        "verdict": region.verdict,
        "why": " ".join(region.why),
        "scale [mm/px]": _number(facts.mm_per_px) if facts else None,
        "chart residual [ΔE00]": _number(facts.chart_residual_delta_e) if facts else None,
        "smallest spot shown [mm²]": _number(region.detectable_mm2),
        "findings": len(region.spots),
        "set aside": len(region.set_aside),
    }
    if region.tint:
        row["tint help"] = region.tint
    for measure in region.measures:
        row[f"{measure.key} [{measure.unit}]"] = _number(measure.value)
        row[f"{measure.key} standard uncertainty [{measure.unit}]"] = _number(measure.u)
        row[f"{measure.key} limit [{measure.unit}]"] = _number(measure.limit)
    return row


def _finding(page: Page, region: Region, spot: Spot) -> Row:
    facts = page.photo(region.photo)
    start, end = spot.along_seam_mm or (None, None)
    return {
        **_place(page, region),
        "photo": facts.file,
        "number": spot.number,
        "mark": spot.label,
        "finding": spot.kind,
        "colour beneath": spot.under,
        "area [mm²]": _number(spot.area_mm2),
        "difference [ΔE00]": _number(spot.delta_e),
        "share of the colour beneath [1]": _number(spot.share),
        "centre x [px]": _number(spot.centre_px[0]),
        "centre y [px]": _number(spot.centre_px[1]),
        "along the seam from [mm]": _number(start),
        "along the seam to [mm]": _number(end),
        "where": spot.where,
        "to do": spot.do,
        "since the last round": spot.answer,
        "over the line or wide [mm]": _number(spot.depth_mm),
    }


def _filled(rows: Sequence[Row]) -> list[Row]:
    """Every row with all headings, in the order they first come."""
    headings = list(dict.fromkeys(heading for row in rows for heading in row))
    return [{heading: row.get(heading) for heading in headings} for row in rows]


def _number(value: float | None) -> float | None:
    """Six significant digits, as in the inspection's JSON; None for what is not known."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.6g}")


def _csv(rows: Sequence[Row]) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    if rows:
        writer.writerow(rows[0])
    writer.writerows([_cell(value) for value in row.values()] for row in rows)
    # With the mark that tells a spreadsheet that this is UTF-8.
    return stream.getvalue().encode("utf-8-sig", errors="replace")


def _cell(value: Cell) -> str:
    """A cell's text; text that a spreadsheet would run as a formula is quoted."""
    if value is None:
        return ""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA) else value
    return repr(value)
