"""What is under the pointer."""

from __future__ import annotations

from typing import Any

from fullhide.probe import Probe
from napari_fullhide.bench import Bench
from napari_fullhide.shapes import xy

__all__ = ["join"]


def join(bench: Bench) -> None:
    """Have a bench read the place under the pointer."""
    bench.hold(_Hover(bench))


class _Hover:
    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._probe: Probe | None = None
        bench.viewer.cursor.events.position.connect(self._moved)
        bench.prepared.connect(self._prepared)
        bench.model.redrawn.connect(self._forget, max_args=0)
        bench.model.shown.connect(self._forget, max_args=0)
        bench.model.opened.connect(self._forget, max_args=0)

    def _forget(self) -> None:
        self._probe = None
        self.bench.point(None, None)
        self._prepared(self.bench.model.index)

    def _prepared(self, index: int) -> None:
        ready, job = self.bench.ready(index), self.bench.model.job
        if index == self.bench.model.index and ready is not None and job is not None:
            self._probe = Probe(ready, job)

    def _moved(self, event: Any = None) -> None:
        photo = self.bench.layers.photo
        if photo is None or not photo.visible:
            return
        ((x, y),) = xy([self.bench.viewer.cursor.position[-2:]])
        height, width = photo.data.shape[:2]
        if not (0 <= x < width and 0 <= y < height):
            self.bench.point(None, None)
            return
        place = None if self._probe is None else self._probe.at(float(x), float(y))
        self.bench.point((float(x), float(y)), place)
