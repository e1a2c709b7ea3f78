"""Spectra in CxF/X files: read as they were written, and refused in a sentence where they are none.

The patches are colour-science's.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fullhide._colour_science import colour
from fullhide.errors import FullhideError, JobError
from fullhide.spectrum import read_spectrum, spectrum_lab

NM = np.arange(380, 731, 10)
NAMES = ("dark skin", "foliage", "blue")


def reflectance(name: str) -> list[float]:
    """Of a chart patch, in steps of 10 nm."""
    patch = colour().SDS_COLOURCHECKERS["ISO 17321-1"][name]
    return [float(patch[nm]) for nm in NM]


def written(*names: str, start: int | None = None, step: int | None = 10) -> bytes:
    """A CxF/X file that holds patches; elements as the schema that colour-cxf was made from."""
    own = "" if start is None else f' StartWL="{start}"'
    objects = "".join(
        f'<Object ObjectType="Standard" Name="{name}" Id="o{number}"><ColorValues>'
        f'<ReflectanceSpectrum ColorSpecification="s"{own}>'
        f"{' '.join(map(str, reflectance(name)))}</ReflectanceSpectrum></ColorValues></Object>"
        for number, name in enumerate(names)
    )
    way = "" if step is None else f'<WavelengthRange StartWL="{NM[0]}" Increment="{step}"/>'
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<CxF xmlns="http://colorexchangeformat.com/CxF3-core"><Resources>'
        f"<ObjectCollection>{objects}</ObjectCollection><ColorSpecificationCollection>"
        '<ColorSpecification Id="s"><MeasurementSpec><MeasurementType>Spectrum_Reflectance'
        f"</MeasurementType>{way}</MeasurementSpec></ColorSpecification>"
        "</ColorSpecificationCollection></Resources></CxF>"
    ).encode()


#: colour-cxf has no release for newer versions of Python.
needs_cxf = pytest.mark.skipif(sys.version_info >= (3, 14), reason="no colour-cxf for this Python")
BLUE = written("blue")


@needs_cxf
@pytest.mark.parametrize("name", NAMES)
def test_a_patch_is_read_as_it_was_written(tmp_path: Path, name: str) -> None:
    file = tmp_path / "tile.cxf"
    file.write_bytes(written(name))
    read = read_spectrum(file)
    np.testing.assert_array_equal(read.nm, NM)
    np.testing.assert_allclose(read.reflectance, reflectance(name), rtol=1e-12)
    csv = tmp_path / "tile.csv"
    csv.write_text("\n".join(f"{nm},{r}" for nm, r in zip(NM, reflectance(name), strict=True)))
    assert spectrum_lab(read) == pytest.approx(spectrum_lab(read_spectrum(csv)), abs=1e-9)


@needs_cxf
def test_of_several_the_one_of_that_name_is_taken(tmp_path: Path) -> None:
    file = tmp_path / "book.cxf"
    file.write_bytes(written(*NAMES))
    read = read_spectrum(file, name="Foliage")
    np.testing.assert_allclose(read.reflectance, reflectance("foliage"), rtol=1e-12)
    with pytest.raises(JobError, match=r'none of them is named "tile".*"dark skin"'):
        read_spectrum(file, name="tile")


@needs_cxf
def test_the_spectrum_s_own_first_wavelength_counts(tmp_path: Path) -> None:
    file = tmp_path / "tile.cxf"
    file.write_bytes(written("blue", start=390))
    assert read_spectrum(file).nm[0] == 390


@needs_cxf
@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (written("blue", step=None), "does not say at which wavelengths"),
        (written(), "holds no reflectance spectrum"),
        (b"<html><body>404</body></html>", "CxF|no reflectance"),
        (BLUE[:400], "is no CxF/X file that can be read"),
    ],
)
def test_what_cannot_be_used_is_told_in_a_sentence(tmp_path: Path, raw: bytes, says: str) -> None:
    file = tmp_path / "tile.cxf"
    file.write_bytes(raw)
    with pytest.raises(JobError, match=says) as told:
        read_spectrum(file)
    assert "\n" not in str(told.value)


def test_without_the_extra_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "tile.cxf"
    file.write_bytes(BLUE)
    monkeypatch.setitem(sys.modules, "colour_cxf.cxf3", None)
    with pytest.raises(JobError, match=r"fullhide\[cxf\]"):
        read_spectrum(file)


@needs_cxf
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(0, 2000), byte=st.integers(0, 255))
def test_a_spoilt_file_is_refused_or_read_never_a_crash(
    tmp_path: Path, place: int, byte: int
) -> None:
    raw = bytearray(BLUE)
    raw[place % len(raw)] = byte
    file = tmp_path / "tile.cxf"
    file.write_bytes(bytes(raw))
    try:
        read = read_spectrum(file)
    except FullhideError as error:
        assert "\n" not in str(error)  # noqa: PT017 - refused is as good as read
    else:
        assert read.nm.size == read.reflectance.size
