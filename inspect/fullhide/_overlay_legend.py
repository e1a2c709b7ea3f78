"""The strip below the photo: scale, verdicts, reasons, findings."""

from __future__ import annotations

from collections import Counter
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide._overlay_draw import (
    BLACK,
    BOLD,
    GREY,
    REGULAR,
    STYLES,
    WHITE,
    Colour,
    plate,
    printable,
    put_text,
    shorten,
    stroke,
    text_width,
    wrap,
)
from fullhide._overlay_match import draw_match, shows_match
from fullhide.result import Finding, PhotoResult, RegionResult

__all__ = ["draw_legend", "finding_words"]

Image = NDArray[np.uint8]

# How much the strip says; the rest stands in the JSON.
_MOST_REASONS = 3
_MOST_LINES = 4
_MOST_FINDINGS = 12
_MARGIN = 8
_KINDS = {
    "show_through": "a colour beneath",
    "thin_coat": "thin coat",
    "evenness": "uneven colour",
    "match": "off the reference colour",
    "glossy_spot": "glossier than around it",
    "dull_spot": "duller than around it",
}


def draw_legend(result: PhotoResult, *, width: int, unit: float, px_per_mm: float | None) -> Image:
    """Draw the legend of one photo.

    Parameters
    ----------
    result
        What was found.
    width
        Of the strip in pixels.
    unit
        A pixel on a phone, in pixels of the strip.
    px_per_mm
        Pixels of the drawn photo a millimetre; None without a scale.

    Returns
    -------
    (h, width, 3) uint8 RGB, black on white.
    """
    strip = _Strip(width, unit)
    strip.scale_bar(px_per_mm)
    judged = [r for r in result.regions if r.verdict is not None or r.findings]
    counts: Counter[str | None] = Counter(region.verdict for region in judged)
    summary = [f"{counts[v]} {style.word}" for v, style in STYLES.items() if counts[v]]
    parts = {region.part for region in judged}
    strip.words(PurePath(result.file).name, 10.5, weight=BOLD)
    strip.words(", ".join(part for part in parts if part and len(parts) == 1), 9)
    strip.words(", ".join(summary) if summary else "no region was judged here", 9)
    order = list(STYLES)
    left = _MOST_FINDINGS
    for region in sorted(judged, key=lambda r: order.index(r.verdict)):
        strip.region(region, left, part=len(parts) > 1)
        left -= min(left, len(region.findings))
    hidden = sum(len(region.findings) for region in judged) - _MOST_FINDINGS
    if hidden > 0:
        strip.space(4)
        strip.words(f"and {hidden} more, listed in the JSON", 8.5, colour=GREY)
    strip.rule()
    strip.key(
        bool(result.chart.corners_px),
        any(r.unseen_px for r in result.regions),
        any(shows_match(r.measures) for r in judged),
    )
    strip.words(wording.SCOPE, 7.5, colour=GREY)
    strip.space(6)
    return strip.image()


def finding_words(finding: Finding) -> str:
    """What is known of a finding in one line; what is not known is left out.

    Whether it does show or only may is for the region's reasons to say.
    """
    words = [_KINDS.get(finding.kind, printable(finding.kind.replace("_", " ")))]
    if finding.under is not None:
        under = printable(finding.under)
        words = [under if finding.kind == "show_through" else f"{words[0]} over {under}"]
    if finding.kind in wording.EDGE_WORK:
        words = [printable(wording.edge_fault(finding.kind, finding.under, finding.depth_mm))]
    if finding.area_mm2 is not None:
        words.append(wording.size(finding.area_mm2))
    if finding.delta_e is not None:
        words.append(f"ΔE {finding.delta_e:.1f}")
    if finding.share is not None:
        words.append(f"share {100 * finding.share:.0f} %")
    if finding.along_seam_mm is not None:
        start, end = finding.along_seam_mm
        what = "line" if finding.kind in wording.EDGE_WORK else "seam"
        words.append(f"{what} {start:.0f}–{end:.0f} mm")
    return ", ".join(words)


def nice_length(longest: float) -> float:
    """The largest of 1, 2, 5, 10, 20 … (or 0.5, 0.2 …) that is not above `longest`."""
    power = 10.0 ** np.floor(np.log10(longest))
    return float(max(step * power for step in (1, 2, 5) if step * power <= longest * (1 + 1e-9)))


class _Strip:
    """Rows of a white strip, put together at the end."""

    def __init__(self, width: int, unit: float) -> None:
        self.width = width
        self.unit = unit
        self.rows: list[Image] = []

    def image(self) -> Image:
        return np.concatenate(self.rows)

    def _row(self, height: float) -> Image:
        row = np.full((max(1, round(height * self.unit)), self.width, 3), 255, np.uint8)
        self.rows.append(row)
        return row

    def space(self, height: float) -> None:
        self._row(height)

    def rule(self) -> None:
        row = self._row(9)
        row[len(row) // 2 : len(row) // 2 + max(1, round(0.5 * self.unit))] = 200

    def words(
        self,
        text: str,
        size: float,
        *,
        indent: float = _MARGIN,
        colour: Colour = BLACK,
        weight: int = REGULAR,
        most: int = 6,
    ) -> None:
        """Wrapped words, `size` and `indent` in phone pixels."""
        u = self.unit
        pixels = round(size * u)
        room = int(self.width - (indent + _MARGIN) * u)
        for line in shorten(wrap(printable(text), pixels, room, weight), most):
            row = self._row(1.36 * size)
            put_text(row, line, (indent * u, len(row) / 2), pixels, colour, weight)

    def scale_bar(self, px_per_mm: float | None) -> None:
        """A ruler of alternating blocks, right below the photo at the photo's own scale."""
        u = self.unit
        if px_per_mm is None or not np.isfinite(px_per_mm) or px_per_mm <= 0:
            self.space(4)
            self.words("no scale: sizes in mm are not known", 8.5, colour=GREY)
            return
        row = self._row(22)
        length = nice_length(0.4 * self.width / px_per_mm)
        x0, y0, high = _MARGIN * u, 8 * u, 5 * u
        end = x0 + length * px_per_mm
        # The picture is drawn as whole pixels; the bar ends where its length says, to a pixel.
        edges = np.rint(np.linspace(x0, end, 6)).astype(int)
        top, bottom = round(y0), round(y0 + high)
        frame = max(1, round(0.6 * u))
        row[top:bottom, edges[0] : edges[-1]] = BLACK
        for index in (1, 3):
            row[top + frame : bottom - frame, edges[index] : edges[index + 1]] = WHITE
        text = f"{length:g} mm"
        put_text(row, text, (end + 5 * u, (top + bottom) / 2), round(9.5 * u), BLACK, BOLD)

    def region(self, region: RegionResult, findings: int, *, part: bool) -> None:
        """Verdict, name, reasons and the largest `findings` findings of a region."""
        u = self.unit
        style = STYLES[region.verdict]
        self.space(5)
        row = self._row(15)
        size = round(10 * u)
        badge = text_width(style.word, size, BOLD) + 8 * u
        box = (_MARGIN * u, 1 * u, _MARGIN * u + badge, 14 * u)
        fill = style.colour if style.filled else WHITE
        plate(row, box, fill, style.colour, width=1.2 * u, radius=3 * u)
        put_text(row, style.word, (box[0] + 4 * u, len(row) / 2), size, style.ink, BOLD)
        left = box[2] + 5 * u
        name = shorten(
            wrap(printable(region.name), size, int(self.width - left - _MARGIN * u), BOLD), 1
        )[0]
        put_text(row, name, (left, len(row) / 2), size, BLACK, BOLD)
        about = [region.part] if part and region.part else []
        if "carried" in region.flags:
            about += ["outline carried over, not drawn"]
        else:
            about += ["outline proposed, not drawn"] if region.proposed else []
        if about:
            self.words(", ".join(about), 8, colour=GREY, most=1)
        for reason in region.reasons[:_MOST_REASONS]:
            self.words(reason, 8.8, most=_MOST_LINES)
        match = draw_match(region.measures, width=self.width, unit=u, margin=_MARGIN)
        if match is not None:
            self.rows.append(match)
        if region.tint is not None:
            self.words(region.tint.says, 8.8, most=_MOST_LINES)
        more = len(region.reasons) - _MOST_REASONS
        if more > 0:
            self.words(f"and {more} more reasons, listed in the JSON", 8.5, colour=GREY)
        largest = sorted(region.findings, key=lambda f: (-(f.area_mm2 or 0.0), f.id))
        for finding in sorted(largest[:findings], key=lambda f: f.id):
            self._finding(finding)

    def _finding(self, finding: Finding) -> None:
        u = self.unit
        size = round(8.5 * u)
        indent = 30.0
        room = int(self.width - (indent + _MARGIN) * u)
        for index, line in enumerate(shorten(wrap(finding_words(finding), size, room), 3)):
            row = self._row(13 if index == 0 else 11.5)
            put_text(row, line, (indent * u, len(row) / 2), size, BLACK)
            if index == 0:
                text = str(finding.id)
                wide = max(11 * u, text_width(text, size, BOLD) + 5 * u)
                box = ((indent - 3) * u - wide, 1 * u, (indent - 3) * u, 12 * u)
                plate(row, box, BLACK, BLACK, width=0, radius=3.5 * u)
                at = (box[0] + (wide - text_width(text, size, BOLD)) / 2, len(row) / 2)
                put_text(row, text, at, size, WHITE, BOLD)

    def key(self, chart: bool, unseen: bool, match: bool) -> None:
        """What the lines mean."""
        u = self.unit
        row = self._row(14)
        size = round(8.5 * u)
        x = _MARGIN * u
        for verdict in ("pass", "fail", "retake"):
            style = STYLES[verdict]
            middle = len(row) / 2
            stroke(row, np.array([[x, middle], [x + 24 * u, middle]]), style, u, closed=False)
            put_text(row, style.word.lower(), (x + 28 * u, middle), size, BLACK)
            x += 28 * u + text_width(style.word.lower(), size) + 12 * u
        text = "A numbered ring goes around a finding, never over it."
        if chart:
            text += " Dotted: the chart and what is left out."
        if unseen:
            text += " Corners with ?: what could hide a spot; look there."
        if match:
            text += " Bar: between what the difference from the reference lies; dot: as read."
        self.words(text, 7.5, colour=GREY)
