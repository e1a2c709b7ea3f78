"""Makes the README's pictures of the viewer, from the example jobs.

    xvfb-run -a -s "-screen 0 1400x900x24" .venv/bin/python tests/take_screenshots.py [FOLDER]

Writes viewer.png (the job) into sample_images, which the README shows; into a folder given also
viewer_near.png (a finding from near), viewer_beside.png (held against its reference),
viewer_colours.png (its colour and the reference's) and viewer_light.png: 1366 by 768 pixels, to be
looked at after a change.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PIL import Image

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
SIZE = (1366, 768)


def main() -> None:
    from napari_fullhide.start import clear_foreign_qt

    clear_foreign_qt()
    import napari

    from napari_fullhide.colours import Colours
    from napari_fullhide.window import dress

    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES
    viewer = napari.Viewer(show=False, show_welcome_screen=False)
    bench = dress(viewer)
    viewer.window._qt_window.resize(*SIZE)
    viewer.window._qt_window.show()
    inspected(bench, SAMPLES / "kestrel")
    bench.model.show(1)
    settle(lambda: bench.ready(1) is not None and not bench.waiting)
    viewer.cursor.position = (640.0, 500.0)
    shot(viewer, folder / "viewer.png")
    if folder == SAMPLES:
        viewer.close()
        return
    bench.model.walk(1)
    shot(viewer, folder / "viewer_near.png")
    bench.model.select(None)
    inspected(bench, SAMPLES / "heron")
    bench.model.show(1)
    bench.set_beside(True)
    settle(lambda: bench.ready(1) is not None and not bench.waiting)
    shot(viewer, folder / "viewer_beside.png")
    bench.model.select(None)
    bench.part(Colours).switch()
    shot(viewer, folder / "viewer_colours.png")
    bench.part(Colours).switch()
    viewer.theme = "light"
    bench.model.select(None)
    bench.viewer.fit_to_view()
    shot(viewer, folder / "viewer_light.png")
    viewer.close()


def inspected(bench: Any, job: Path) -> None:
    """Open a job and judge every photo of it."""
    from fullhide.engine import inspect_photo

    bench.open(job)
    settle(lambda: bench.ready(0) is not None and not bench.waiting)
    for index, photo in enumerate(bench.model.photos):
        bench.model.put(index, inspect_photo(bench.model.job, photo.entry))


def settle(fact: Callable[[], bool], most: float = 120.0) -> None:
    """Let the window work until something is so."""
    from qtpy.QtWidgets import QApplication

    end = time.monotonic() + most
    while not fact():
        if time.monotonic() > end:
            sys.exit("the window never came to rest")
        QApplication.processEvents()
        time.sleep(0.01)


def shot(viewer: Any, path: Path) -> None:
    """Photograph the window once it has come to rest."""
    end = time.monotonic() + 1.0
    settle(lambda: time.monotonic() > end)
    pixels = viewer.window.screenshot(canvas_only=False, flash=False)
    few = Image.fromarray(pixels[..., :3]).quantize(256, dither=Image.Dither.NONE)
    few.save(path, optimize=True)  # a third of the bytes, and the eye sees no difference
    print(path)


if __name__ == "__main__":
    main()
