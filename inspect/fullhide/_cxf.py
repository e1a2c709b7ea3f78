"""Spectra in CxF/X files (ISO 17972), as colour-measuring instruments exchange them."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fullhide.errors import JobError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["looks_like_cxf", "reflectances"]

Vector = NDArray[np.float64]
_REMEDY = "export the measurement anew, as CxF/X or as CSV"
_MISSING = (
    "needs a package that is not installed to be read",
    'install the extra: pip install "fullhide[cxf]", or export the spectrum as CSV',
)


def looks_like_cxf(raw: bytes) -> bool:
    """Whether bytes are XML rather than a table."""
    return raw.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")


def reflectances(file: Path, raw: bytes, name: str | None) -> tuple[Vector, Vector]:
    """Wavelengths in nm and reflectances of one measured object.

    Parameters
    ----------
    file, raw
        The file's name, for what is said, and its bytes.
    name
        Of the object, where the file holds several.

    Raises
    ------
    JobError
        If the file is no CxF/X, or holds no reflectance spectrum of that name.
    """
    measured = dict(_measured(file, _parsed(file, raw)))
    if not measured:
        raise JobError(file, "holds no reflectance spectrum", _REMEDY)
    if len(measured) == 1:
        return next(iter(measured.values()))
    wanted = (name or "").casefold()
    for one, spectrum in measured.items():
        if one.casefold() == wanted:
            return spectrum
    some = ", ".join(f'"{one}"' for one in list(measured)[:5])
    more = " …" if len(measured) > 5 else ""
    what = f'holds {len(measured)} spectra and none of them is named "{name or ""}"'
    raise JobError(file, what, f"give it the name of one of them: {some}{more}")


def _parsed(file: Path, raw: bytes) -> Any:
    try:
        from colour_cxf.cxf3 import CxF
        from xsdata.exceptions import ConverterError, ParserError
        from xsdata.formats.dataclass.parsers import XmlParser
        from xsdata.formats.dataclass.parsers.config import ParserConfig
    except ImportError:
        raise JobError(file, *_MISSING) from None
    # Not by `read_cxf`, which leaves a number that is none as text.
    parser = XmlParser(config=ParserConfig(fail_on_converter_warnings=True))
    try:
        ET.fromstring(raw)  # the parser takes a file that breaks off for a whole one
        return parser.from_bytes(raw, CxF)
    except (ParserError, ConverterError, SyntaxError, ValueError, TypeError, LookupError):
        # What the parser raises on XML that is broken or of another kind.
        raise JobError(file, "is no CxF/X file that can be read", _REMEDY) from None


def _measured(file: Path, cxf: Any) -> Iterator[tuple[str, tuple[Vector, Vector]]]:
    """Names and spectra of what was measured; the first spectrum of each object."""
    from colour_cxf.cxf3 import ReflectanceSpectrum

    resources = cxf.resources
    objects = resources.object_collection if resources is not None else None
    for one in objects.object_value if objects is not None else ():
        values = one.color_values.choice if one.color_values is not None else ()
        spectrum = next((v for v in values if isinstance(v, ReflectanceSpectrum)), None)
        if spectrum is None:
            continue
        start, step = _range(resources, spectrum)
        if start is None or not step:
            what = f'does not say at which wavelengths "{one.name}" was measured'
            raise JobError(file, what, _REMEDY)
        reflectance = np.array(spectrum.value, np.float64)
        nm: Vector = start + step * np.arange(reflectance.size, dtype=np.float64)
        yield str(one.name or one.id), (nm, reflectance)


def _range(resources: Any, spectrum: Any) -> tuple[float | None, float | None]:
    """First wavelength and step, nm: the spectrum's own start, else its specification's."""
    collection = resources.color_specification_collection
    specifications = collection.color_specification if collection is not None else ()
    own = [one for one in specifications if one.id == spectrum.color_specification]
    for one in own:
        found = one.measurement_spec.wavelength_range if one.measurement_spec else None
        if found is not None:
            return spectrum.start_wl or found.start_wl, found.increment
    return spectrum.start_wl, None
