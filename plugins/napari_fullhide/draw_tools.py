"""What a person can draw, and the keys for it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from napari_fullhide.bench import Action, Bench
from napari_fullhide.pen import Mode, Pen

__all__ = ["join"]

_TOOLS: tuple[tuple[Mode, str, str, str], ...] = (
    ("panel", "Panel", "P", "Click its corners, then Enter."),
    ("seam", "Seam", "S", "Click its two ends: the path between follows the valley."),
    ("edge", "Edge", "D", "Click along the line between two colours, then Enter."),
    ("reference", "Reference", "R", "A place that shows the colour as it should be."),
    ("ignore", "Leave out", "L", "A place that is not judged: tape, a label, a hand."),
    ("chart", "Chart", "C", "Where the chart was not found: click its four corners."),
    ("change", "Change", "E", "Drag corners, or the whole region."),
    ("split", "Split", "X", "Cut the chosen region in two with two clicks."),
)


def join(bench: Bench) -> None:
    """Give a bench its drawing tools."""
    pen = bench.part(Pen)

    def ready() -> bool:
        return pen.canvas is not None

    def drawing() -> bool:
        return pen.sketch is not None

    def chosen() -> bool:
        return pen.chosen is not None

    def held() -> bool:
        return pen.mode is not None

    def banded() -> bool:
        return pen.width_mm is not None

    def draw(text: str, key: str, run: Callable[[], None], enabled: Callable[[], bool]) -> Action:
        return Action(group="Draw", text=text, keys=(key,), run=run, enabled=enabled, button=False)

    bench.add(
        *(
            Action(
                group="Draw",
                text=text,
                keys=(key,),
                run=partial(pen.take, mode),
                tip=tip,
                enabled=ready,
                checked=partial(_in_hand, pen, mode),
                half=True,
            )
            for mode, text, key, tip in _TOOLS
        ),
        Action(
            group="Draw",
            text="Delete",
            keys=("Del",),
            run=pen.delete,
            tip="Removes the corner in hand, or the chosen region.",
            enabled=chosen,
            half=True,
        ),
        Action(
            group="Draw",
            text="Take over",
            keys=("T",),
            run=bench.model.take_over,
            tip="Makes the proposed outlines your own, to change and to save.",
            enabled=lambda: bool(bench.model.current and bench.model.current.proposal()),
            half=True,
        ),
        Action(
            group="Draw",
            text="Undo",
            keys=("Ctrl+Z",),
            run=bench.model.undo,
            enabled=lambda: bool(bench.model.current and bench.model.current.undo),
            half=True,
        ),
        Action(
            group="Draw",
            text="Redo",
            keys=("Ctrl+Y", "Ctrl+Shift+Z"),
            run=bench.model.redo,
            enabled=lambda: bool(bench.model.current and bench.model.current.redo),
            half=True,
        ),
        draw("Close the outline", "Return", pen.close, drawing),
        draw("Close the outline (keypad)", "Enter", pen.close, drawing),
        draw("Last click back", "Backspace", pen.back, drawing),
        draw("Click at the cross", "Space", pen.click_cross, drawing),
        draw("Next corner", "Tab", pen.next_corner, lambda: pen.mode == "change" and chosen()),
        draw(
            "Corner before",
            "Shift+Tab",
            partial(pen.next_corner, -1),
            lambda: pen.mode == "change" and chosen(),
        ),
        draw("Seam or edge wider", "]", partial(pen.widen_by, 1.0), banded),
        draw("Seam or edge narrower", "[", partial(pen.widen_by, -1.0), banded),
        *(
            draw(
                f"Cross or corner {name}{', a pixel' if fine else ''}",
                f"{'Ctrl+' if fine else ''}{name.capitalize()}",
                partial(pen.arrow, *by, fine=fine),
                held,
            )
            for name, by in (
                ("left", (-1, 0)),
                ("right", (1, 0)),
                ("up", (0, -1)),
                ("down", (0, 1)),
            )
            for fine in (False, True)
        ),
    )


def _in_hand(pen: Pen, mode: Mode) -> bool:
    return pen.mode == mode
