"""The benchmark's tables: by group, by thing and content, and against the goals of issue 3."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from scenes import OWN, WELL_SHOT
from score import Miss, Row

VERDICTS = ("pass", "fail", "retake")


def print_tables(rows: Sequence[Row], *, verbose: bool = False) -> None:
    """Everything."""
    if verbose:
        for row in rows:
            _print_row(row)
        print()
    _print_groups(rows)
    print()
    _print_things(rows)
    print()
    _print_goals(rows)
    print(f"\n{WELL_SHOT}")
    print(
        "clean: nothing missed, nothing uneven. plain: dE00 6 or more over 2 mm² or more. limit: "
        "not plain, 3 or more over 1 mm² or more.\n"
        "p/f/r: pass/fail/retake. Truth: our own phantoms."
    )


def ratio(part: float, whole: float) -> str:
    """A percentage with what it is of."""
    return f"{100 * part / whole:.1f} % ({part:.0f}/{whole:.0f})" if whole else "-"


def middle(values: Iterable[float], q: float = 0.5) -> str:
    """A quantile."""
    found = list(values)
    return f"{np.quantile(found, q):.2f}" if found else "-"


def verdicts(rows: Iterable[Row]) -> str:
    """Numbers of passes, fails and retakes."""
    count = Counter(row.verdict for row in rows)
    return "/".join(str(count[v]) for v in VERDICTS)


def misses(rows: Iterable[Row], *grades: str) -> list[Miss]:
    """Every miss of these grades."""
    return [miss for row in rows for miss in row.misses if miss.grade in grades]


def passed(rows: Iterable[Row], grade: str) -> tuple[int, int]:
    """Regions whose worst miss is of this grade: passed, and all."""
    bad = [row for row in rows if row.grade == grade]
    return sum(row.verdict == "pass" for row in bad), len(bad)


def _print_groups(rows: Sequence[Row]) -> None:
    keys: list[Callable[[Row], str]] = [
        lambda r: r.case.pair,
        lambda r: f"~ {r.case.place}",
        lambda r: f"~ {r.case.scene.camera.sensor}",
        lambda r: f"~ {r.case.scene.leather.grain} grain",
        lambda r: f"~ noise {r.case.noise}",
        lambda r: "~ well-shot" if r.case.well_shot else "~ not well-shot",
        lambda _: "~~ all",
    ]
    groups: dict[str, list[Row]] = {}
    for key in keys:
        for row in rows:
            groups.setdefault(key(row), []).append(row)
    heads = ("n", "clean p/f/r", "miss p/f/r", "plain<p", "limit<p", "found", "false", "area")
    print(f"{'':18}" + "".join(f"{head:>13}" for head in (*heads, "share")))
    for name in sorted(groups):
        own = groups[name]
        plain = misses(own, "plain")
        cells = (
            str(len(own)),
            verdicts(r for r in own if r.clean),
            verdicts(r for r in own if r.grade in ("plain", "limit")),
            "{}/{}".format(*passed(own, "plain")),
            "{}/{}".format(*passed(own, "limit")),
            f"{sum(bool(m.kinds) for m in plain)}/{len(plain)}",
            f"{sum(len(r.false) for r in own)}",
            middle(abs(m.area_error) for r in own for m in r.misses if m.area_error is not None),
            middle(abs(m.share_error) for r in own for m in r.misses if m.share_error is not None),
        )
        print(f"{name.strip('~ '):18}" + "".join(f"{cell:>13}" for cell in cells))


def _print_things(rows: Sequence[Row]) -> None:
    print(f"{'thing in the scene':18}{'n':>5}{'clean p/f/r':>13}{'false':>7}   false near it")
    causes = Counter(cause for row in rows for cause, _ in row.false)
    kinds = sorted({kind for row in rows for kind in row.case.props})
    for kind in ("", *kinds):
        own = [r for r in rows if (kind in r.case.props if kind else not r.case.props)]
        false = sum(len(r.false) for r in own)
        near = f"   {causes[kind]}" if kind else ""
        clean = verdicts(r for r in own if r.clean)
        print(f"{kind or 'nothing':18}{len(own):5}{clean:>13}{false:7}{near}")
    print(f"\n{'content':18}{'n':>5}{'p/f/r':>13}   right (true verdict)")
    for content in ("clean", "spots", "gaps", "thin", "mottle", "bands"):
        own = [r for r in rows if r.case.content == content]
        if own:
            right = sum(r.verdict in r.right for r in own)
            print(f"{content:18}{len(own):5}{verdicts(own):>13}   {ratio(right, len(own))}")
    reasons = Counter(
        reason for r in rows if r.verdict == "retake" for reason in (r.flags or ("no flag",))
    )
    print("\nflags of retakes: " + ", ".join(f"{n} {name}" for name, n in reasons.most_common(8)))


def _print_goals(rows: Sequence[Row]) -> None:
    seeds = sorted({row.case.seed for row in rows})
    columns = [[row for row in rows if row.case.seed == seed] for seed in seeds]
    if len(seeds) > 1:
        columns.append(list(rows))
    heads = [f"seed {seed}" for seed in seeds] + (["all"] if len(seeds) > 1 else [])
    print(f"{'figure':52}{'goal':>9}" + "".join(f"{head:>19}" for head in heads))
    for name, goal, figure in GOALS:
        values = "".join(f"{figure(own):>19}" for own in columns)
        print(f"{name:52}{goal:>9}{values}")


def _false_a_photo(rows: Sequence[Row]) -> str:
    return f"{sum(len(r.false) for r in rows) / max(1, len(rows)):.2f}"


def _false_bare(rows: Sequence[Row]) -> str:
    own = [r for r in rows if not r.case.props]
    return f"{sum(len(r.false) for r in own) / max(1, len(own)):.2f}"


def _false_photos(rows: Sequence[Row]) -> str:
    return ratio(sum(bool(r.false) for r in rows), len(rows))


def _clean(
    rows: Sequence[Row], *, well_shot: bool, verdict: str = "pass", without: Iterable[str] = ()
) -> str:
    own = [
        r
        for r in rows
        if r.clean and (r.case.well_shot or not well_shot) and not set(without) & set(r.case.props)
    ]
    return ratio(sum(r.verdict == verdict for r in own), len(own))


def _retakes(rows: Sequence[Row], *, well_shot: bool) -> str:
    own = [r for r in rows if r.case.well_shot or not well_shot]
    return ratio(sum(r.verdict == "retake" for r in own), len(own))


def _named(rows: Sequence[Row]) -> str:
    own = [r for r in rows if r.verdict == "retake"]
    return ratio(sum(r.names_a_photo for r in own), len(own))


def _settled(rows: Sequence[Row]) -> str:
    own = [r for r in rows if r.second is not None]
    return ratio(sum(r.second in r.right for r in own), len(own))


def _wrong_after(rows: Sequence[Row]) -> str:
    own = [r for r in rows if r.second is not None]
    wrong = sum(r.second != "retake" and r.second not in r.right for r in own)
    return ratio(wrong, len(own))


def _found(rows: Sequence[Row], *, judged: bool = True) -> str:
    own = misses((r for r in rows if not judged or r.verdict != "retake"), "plain")
    return ratio(sum(bool(m.kinds) for m in own), len(own))


def _errors(rows: Sequence[Row], name: str) -> str:
    errors = [getattr(m, name) for r in rows for m in r.misses]
    return middle(abs(e) for e in errors if e is not None)


def _along(rows: Sequence[Row], *, plain: bool = False) -> str:
    found = (e for r in rows for e in r.along_errors)
    errors = [abs(error) for grade, error in found if grade == "plain" or not plain]
    return f"{middle(errors, 0.95)} mm ({len(errors)})"


def _overlap(rows: Sequence[Row]) -> str:
    own = misses((r for r in rows if r.case.content != "thin"), "plain", "limit")
    wrong = sum(r.wrong_px for r in rows) / max(1, sum(r.clean_px for r in rows))
    mean = float(np.mean([m.overlap for m in own])) if own else float("nan")
    return f"{mean:.2f} at {100 * wrong:.3f} %"


def _overlap_map(rows: Iterable[Row]) -> str:
    own = [m.overlap_map for m in misses(rows, "plain", "limit") if m.kind != "thin"]
    return f"{float(np.mean(own)):.2f} ({len(own)})" if own else "-"


def _overlap_found(rows: Sequence[Row]) -> str:
    own = [m.overlap for m in misses(rows, "plain", "limit") if m.kinds and m.kind != "thin"]
    return f"{float(np.mean(own)):.2f}" if own else "-"


def _covered(rows: Sequence[Row], name: str = "covered") -> str:
    known = [held for r in rows if (held := getattr(r, name)) is not None]
    return ratio(sum(known), len(known))


def _periods(rows: Sequence[Row]) -> str:
    near = total = 0
    for row in rows:
        if row.case.content == "bands" and row.uneven_delta_e >= 1.0:
            total += 1
            value = row.measures.get("band_period_mm", (None, None))[0]
            true = row.case.scene.bands[0].period_mm
            near += value is not None and abs(value / true - 1.0) <= 0.05
    return ratio(near, total)


def _thin_told(rows: Sequence[Row]) -> str:
    own = [m for m in misses(rows, "plain", "limit") if m.kind == "thin" and m.kinds]
    return ratio(sum("thin_coat" in m.kinds for m in own), len(own))


def _thin_found(rows: Sequence[Row]) -> str:
    own = [m for m in misses(rows, "plain") if m.kind == "thin"]
    return ratio(sum(bool(m.kinds) for m in own), len(own))


def _spots_told(rows: Sequence[Row]) -> str:
    own = [m for m in misses(rows, "plain", "limit") if m.kind != "thin" and m.kinds]
    return ratio(sum("thin_coat" in m.kinds for m in own), len(own))


GOALS: tuple[tuple[str, str, Callable[[Sequence[Row]], str]], ...] = (
    ("plain misses passed (regions)", "0", lambda r: ratio(*passed(r, "plain"))),
    ("limit misses passed (regions)", "<= 1 %", lambda r: ratio(*passed(r, "limit"))),
    ("plain misses found, region judged", ">= 98 %", _found),
    ("plain misses found, retakes too", "", lambda r: _found(r, judged=False)),
    ("false findings a photo", "<= 0.1", _false_a_photo),
    ("  where nothing lies on or is sewn in", "", _false_bare),
    ("photos with a false finding", "", _false_photos),
    ("well-shot clean regions that pass", ">= 95 %", lambda r: _clean(r, well_shot=True)),
    (
        "  those without holes, piping, marks, folds, thread",
        "",
        lambda r: _clean(r, well_shot=True, without=(*OWN, "stitches")),
    ),
    ("all clean regions that pass", "", lambda r: _clean(r, well_shot=False)),
    ("clean regions that fail", "", lambda r: _clean(r, well_shot=False, verdict="fail")),
    ("retakes, all", "<= 8 %", lambda r: _retakes(r, well_shot=False)),
    ("retakes, well-shot", "", lambda r: _retakes(r, well_shot=True)),
    ("retakes that name the photo to take", "all", _named),
    ("retakes settled by the photos asked for (--also)", ">= 90 %", _settled),
    ("  settled wrongly", "", _wrong_after),
    ("area error, median", "<= 0.20", lambda r: _errors(r, "area_error")),
    ("share error, median", "<= 0.08", lambda r: _errors(r, "share_error")),
    ("gap ends along the seam, 95 % within", "<= 2 mm", _along),
    ("  of plain gaps", "", lambda r: _along(r, plain=True)),
    ("overlap of the map with misses, at 1 % of clean", ">= 0.97", _overlap_map),
    (
        "  where nothing lies on or is sewn in",
        "",
        lambda r: _overlap_map(row for row in r if not row.case.props),
    ),
    ("overlap of findings, at the share of clean marked", "", _overlap),
    ("  of those found", "", _overlap_found),
    ("95 % intervals of the area that hold the truth", "93-98 %", _covered),
    ("  that hold the region's largest", "", lambda r: _covered(r, "covered_largest")),
    ("bands of 1 dE or more: period within 5 %", "all", _periods),
    ("plain thin coats found", ">= 98 %", _thin_found),
    ("thin coats told as thin", "", _thin_told),
    ("spots and gaps told as thin", "0", _spots_told),
    ("seconds a photo, median", "", lambda rows: middle(r.took_s for r in rows)),
)


def _print_row(row: Row) -> None:
    case, scene = row.case, row.case.scene
    verdict = row.verdict + ("" if row.verdict in row.right else " (WRONG)")
    print(
        f"#{case.seed}:{case.number} {case.pair} {case.place} {case.content} {verdict}"
        f"{' well-shot' if case.well_shot else ''} | {scene.light.name} {scene.camera.sensor} "
        f"{scene.leather.grain} noise {case.noise} {scene.camera.tone} "
        f"{case.stops:+.1f} stop {scene.mm_per_px} mm/px q{case.quality} "
        f"{'board ' if case.board else ''}{' '.join(case.props)}"
    )
    measures = " ".join(
        f"{name}={_short(value)}±{_short(u)}" for name, (value, u) in row.measures.items()
    )
    chart = "none" if row.chart is None else f"{row.chart:.2f}"
    print(f"    {measures} detectable={_short(row.detectable_mm2)} chart={chart} {row.flags}")
    for miss in row.misses:
        print(
            f"    true {miss.grade} {miss.kind} {miss.under}: {miss.area_mm2:.1f} mm² "
            f"({miss.plain_mm2:.1f} plain) dE {miss.delta_e:.1f} share {miss.share:.2f} at "
            f"{miss.at_px[0]:.0f},{miss.at_px[1]:.0f}: {' '.join(miss.kinds) or 'NOT FOUND'} "
            f"area {_short(miss.area_error)} share {_short(miss.share_error)} "
            f"overlap {miss.overlap:.2f}"
        )
    if row.uneven_delta_e:
        print(f"    true unevenness {row.uneven_delta_e:.1f} dE")
    for cause, f in row.false:
        print(
            f"    FALSE near {cause}: {f.kind} {f.under} {_short(f.area_mm2)} mm² dE "
            f"{_short(f.delta_e)} at {f.centre_px[0]:.0f},{f.centre_px[1]:.0f}"
        )
    if row.along_errors:
        print("    along " + " ".join(f"{e:+.1f}" for _, e in row.along_errors))
    if row.second is not None:
        print(f"    second photo ({row.second_asked}): {row.second}")
    for reason in (*row.reasons[:3], *row.problems):
        print(f"    - {reason}")


def _short(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"
