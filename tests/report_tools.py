"""What the report's tests share: contrast as WCAG counts it, and Debian's tools for PDF."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np


def contrast(one: Sequence[float], other: Sequence[float]) -> float:
    """Contrast ratio of two sRGB colours, 0 to 255, after WCAG 2.2 (relative luminance)."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: Sequence[float]) -> float:
    linear = [
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (part / 255 for part in colour)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def poppler(tool: str, *arguments: str) -> str:
    """What one of poppler's tools prints."""
    where = shutil.which(tool)
    assert where, f"{tool} is missing: tests/run.sh installs poppler-utils, or says what to run"
    done = subprocess.run([where, *arguments], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.decode()


def page_texts(path: Path) -> list[str]:
    """The text of each page of a PDF, on one line."""
    told = poppler("pdftotext", "-layout", str(path), "-")
    return [" ".join(page.split()) for page in told.split("\f")[:-1]]


def flowing_text(path: Path) -> str:
    """The text of a whole PDF as it is read, on one line."""
    return " ".join(poppler("pdftotext", str(path), "-").split())


def page_pictures(path: Path, folder: Path, *, dpi: int = 60) -> list[np.ndarray]:
    """Each page as an 8-bit grey picture."""
    folder.mkdir(exist_ok=True)
    poppler("pdftoppm", "-gray", "-r", str(dpi), "-png", str(path), str(folder / path.stem))
    files = sorted(folder.glob(f"{path.stem}-*.png"))
    return [np.asarray(cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)) for file in files]
