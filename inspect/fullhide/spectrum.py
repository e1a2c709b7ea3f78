"""Reflectance spectra in CSV or CxF/X files, and the colour that they are under D50."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fullhide import _cxf
from fullhide._colour_science import colour
from fullhide.colour import WHITE_D50, xyz_to_lab
from fullhide.errors import JobError
from fullhide.files import why

__all__ = ["Spectrum", "read_spectrum", "spectrum_lab"]

#: What has to be covered at least, the widest step, and what is summed, nm: the practice of ASTM
#: E308 takes steps of 20 at most, and lets what is missing at the ends be as the nearest value.
COVERED_NM, WIDEST_NM, _SUMMED_NM = (400.0, 700.0), 20.0, (360.0, 780.0)
_RANGE_NM = (300.0, 1100.0)
#: From here on numbers are percent: no surface gives back more of the light (own choice).
_PERCENT_FROM = 1.5
_LOWEST, _HIGHEST = -0.02, 1.5
#: A row of values with its name before it has so many at least; less is a heading.
_FEWEST_IN_ROW = 8
_LARGEST_BYTES = 10_000_000
_REMEDY = "give wavelengths in nm and reflectances (0 to 1, or in percent) as two columns"


class Spectrum(NamedTuple):
    """Wavelengths, nm, rising, (N,), and reflectances there, 1 for the perfect white, (N,)."""

    nm: NDArray[np.float64]
    reflectance: NDArray[np.float64]


def read_spectrum(file: Path, *, name: str | None = None) -> Spectrum:
    """Read one spectrum from a CSV or CxF/X file; which, is read from its bytes.

    Parameters
    ----------
    file
        CSV: two columns, wavelength in nm and reflectance, or the same as two rows. Between them
        comma, semicolon, tab or space; a decimal comma needs another one of these. Rows without a
        number in front are headings. Reflectances are percent if a heading holds ``%`` or any is
        above 1.5, otherwise 0 to 1.
    name
        Of the measured object, for a CxF/X file that holds several.

    Raises
    ------
    JobError
        With file, line, what is wrong and what to do.
    """
    raw = _bytes(file)
    nm, values = _cxf.reflectances(file, raw, name) if _cxf.looks_like_cxf(raw) else _csv(file, raw)
    _check(file, nm, values)
    return Spectrum(nm, values)


def _csv(file: Path, raw: bytes) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Wavelengths, rising, and reflectances, 0 to 1."""
    rows, percent = _rows(file, _text(raw))
    if len(rows) == 2 and len(rows[0][1]) > 2:
        if len(rows[0][1]) != len(rows[1][1]):
            raise JobError(
                file, "has rows of different lengths", "give each wavelength one value", line=2
            )
        table = np.array([rows[0][1], rows[1][1]]).T
    else:
        for line, numbers in rows:
            if len(numbers) != 2:
                what = f"has {len(numbers)} numbers in a row where there should be two"
                raise JobError(file, what, _REMEDY, line=line)
        table = np.array([numbers for _, numbers in rows]).reshape(-1, 2)
    table = table[np.argsort(table[:, 0], kind="stable")]
    nm, values = table[:, 0], table[:, 1]
    if percent or (values.size and float(values.max()) > _PERCENT_FROM):
        values = values / 100.0
    return nm, values


def _bytes(file: Path) -> bytes:
    try:
        raw = file.read_bytes()
    except OSError as error:
        raise JobError(file, f"cannot be read ({why(error)})", "check the file's name") from None
    if len(raw) > _LARGEST_BYTES:
        raise JobError(file, "is far too large for a spectrum", _REMEDY)
    return raw


def _text(raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")  # what spreadsheets write; a heading at most is concerned


def _rows(file: Path, text: str) -> tuple[list[tuple[int, list[float]]], bool]:
    """Lines with their numbers, and whether a heading says percent."""
    rows: list[tuple[int, list[float]]] = []
    percent = False
    for line, content in enumerate(text.splitlines(), 1):
        numbers = [_number(cell) for cell in _cells(content)]
        heads = next((i for i, one in enumerate(numbers) if one is not None), len(numbers))
        told = [one for one in numbers[heads:] if one is not None]
        plain = len(told) == len(numbers) - heads
        if heads:  # a heading, or a row with its name before it
            percent = percent or "%" in content
            if not plain or len(told) < _FEWEST_IN_ROW:
                continue
        elif not plain:
            raise JobError(file, "holds something that is no number", _REMEDY, line=line)
        if told:
            rows.append((line, told))
    return rows, percent


def _cells(line: str) -> list[str]:
    """The cells of a line, decimal commas as points."""
    mark = next((mark for mark in ";\t," if mark in line), None)
    cells = [cell.strip().strip('"').strip() for cell in line.split(mark)]
    decimal = mark in (";", "\t")
    return [cell.replace(",", ".") if decimal else cell for cell in cells if cell]


def _number(cell: str) -> float | None:
    """A number, with ``nm`` behind it or not; None for anything else."""
    try:
        return float(re.sub(r"\s*nm$", "", cell, flags=re.IGNORECASE))
    except ValueError:
        return None


def _check(file: Path, nm: NDArray[np.float64], values: NDArray[np.float64]) -> None:
    if not nm.size:
        raise JobError(file, "holds no spectrum", _REMEDY)
    if not (np.isfinite(nm).all() and np.isfinite(values).all()):
        raise JobError(file, "holds a number that is none", "correct it in the file")
    if nm[0] < _RANGE_NM[0] or nm[-1] > _RANGE_NM[1]:
        raise JobError(file, "holds wavelengths that are no light in nm", _REMEDY)
    if (np.diff(nm) <= 0).any():
        raise JobError(file, "gives a wavelength twice", "keep one of them")
    if nm[0] > COVERED_NM[0] or nm[-1] < COVERED_NM[1]:
        what = f"covers {nm[0]:g} to {nm[-1]:g} nm only"
        raise JobError(file, what, "export the spectrum from 400 to 700 nm at least")
    if float(np.diff(nm).max()) > WIDEST_NM:
        raise JobError(
            file, f"has steps of {np.diff(nm).max():g} nm", "export it in steps of 20 nm or less"
        )
    if values.min() < _LOWEST or values.max() > _HIGHEST:
        raise JobError(file, "holds reflectances that no surface has", _REMEDY)


def spectrum_lab(spectrum: Spectrum) -> tuple[float, float, float]:
    """CIE Lab of a spectrum under D50 for the 2° observer.

    Notes
    -----
    CIE 15:2018, section 7: interpolated to 1 nm (Sprague's formula where the steps are even, else a
    cubic spline), at the ends as the nearest value, and summed with the colour-matching functions
    and D50 from 360 to 780 nm, all by colour-science; against the perfect white in the same sum.
    """
    science = colour()
    shape = science.SpectralShape(*_SUMMED_NM, 1)
    curve = science.SpectralDistribution(dict(zip(*spectrum, strict=True)))
    if spectrum.nm.size > 1 and float(np.diff(spectrum.nm).max()) > 1.0:
        ends = float(np.ceil(spectrum.nm[0])), float(np.floor(spectrum.nm[-1]))
        curve = curve.interpolate(science.SpectralShape(*ends, 1))
    observer = science.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    light = science.SDS_ILLUMINANTS["D50"].copy().align(shape)
    weights = observer.values * light.values[:, None]
    reflectance = np.interp(observer.wavelengths, curve.wavelengths, curve.values)
    xyz = reflectance @ weights / weights.sum(axis=0) * WHITE_D50
    lightness, a, b = xyz_to_lab(np.maximum(xyz, 0.0)).tolist()
    return lightness, a, b
