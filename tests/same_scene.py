"""One phantom scene as every kind of file that a camera may write."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import photo_files as make
import pillow_heif
import raw_files
from numpy.typing import NDArray
from PIL import Image

from fullhide import _icc
from fullhide.calibrate import colour_fit, flat_field, xyz_of
from fullhide.chart import chart_spec, find_chart
from fullhide.colour import xyz_to_lab
from fullhide.phantom import Rendering
from fullhide.photo import Photo, open_photo

Array = NDArray[Any]

KINDS = ("jpeg", "jpeg-p3", "heic", "heic-10-bit", "avif", "png16", "tiff16", "dng", "linear-dng")

FAST = {"enc_params": {"preset": "veryfast"}}


@dataclass(frozen=True)
class Files:
    """Bytes of a rendering of 16 bits in sRGB, by kind of file."""

    rendering: Rendering

    def of(self, kind: str) -> bytes:
        wide = self.rendering.rgb
        assert wide.dtype == np.uint16
        narrow = np.rint(wide / 257.0).astype(np.uint8)
        if kind == "tiff16":
            return make.tiff(wide, compression="zlib")
        if kind == "png16":
            return make.png(wide)
        if kind in ("jpeg", "jpeg-p3"):
            return self._jpeg(narrow, kind)
        if kind in ("dng", "linear-dng"):
            return raw_files.dng(self.sensor(), linear=kind != "dng")
        stream = io.BytesIO()
        if kind == "avif":
            Image.fromarray(narrow).save(stream, "AVIF", quality=95, subsampling="4:4:4", speed=9)
        elif kind == "heic":
            pillow_heif.from_pillow(Image.fromarray(narrow)).save(stream, quality=90, **FAST)
        else:
            size = (wide.shape[1], wide.shape[0])
            pillow_heif.from_bytes("RGB;16", size, wide.tobytes()).save(stream, quality=90, **FAST)
        return stream.getvalue()

    def light(self) -> Array:
        """Linear sRGB, (H, W, 3)."""
        return _icc.srgb_curve(self.rendering.rgb / 65535.0)

    def sensor(self) -> Array:
        """What the invented camera of `raw_files` sees of it, white at 0.9 of green's ceiling."""
        d65 = np.array([0.95046, 1.0, 1.08906])  # CIE 15, 2 degree
        # IEC 61966-2-1: linear sRGB to XYZ under D65.
        to_xyz = np.array(
            [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
        )
        to_camera = raw_files.XYZ_TO_CAMERA / (raw_files.XYZ_TO_CAMERA @ d65)[:, None]
        balanced = self.light() @ (to_camera @ to_xyz).T
        return np.asarray(0.9 * balanced * np.array(raw_files.NEUTRAL))

    def _jpeg(self, narrow: Array, kind: str) -> bytes:
        if kind == "jpeg":
            return make.jpeg(narrow, quality=93, subsampling=0)
        p3 = _icc.named_profile("Display P3", 256)
        srgb = _icc.primaries_to_xyz(_icc.SPACES["sRGB"])
        light = np.clip(self.light() @ (np.linalg.inv(p3.matrix) @ srgb).T, 0, 1)
        low = light <= 0.0031308
        codes = np.where(low, light * 12.92, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
        curve = make.table_tag(_icc.srgb_curve(np.linspace(0, 1, 1024)))
        icc = make.matrix_profile(p3.matrix, curve, name="wide space")
        return make.jpeg(
            np.rint(codes * 255).astype(np.uint8), quality=93, subsampling=0, icc_profile=icc
        )


def calibrated_lab(photo: Photo, width_mm: float) -> Array:
    """Lab of the photo through its own chart, means of squares of 8 pixels."""
    spec = chart_spec("after-2014", width_mm=width_mm)
    reading = find_chart(photo, spec=spec)
    assert reading.found
    field = flat_field(photo, reading=reading, polygons=[])
    convert = xyz_of(colour_fit(reading, spec=spec, field=field), field)
    width, height = (side // 8 * 8 for side in photo.size_px)
    box = (0, 0, width, height)
    return xyz_to_lab(np.maximum(convert(photo.linear(box, factor=8), box), 1e-6))


def saved(folder: Path, files: Files, kind: str) -> Photo:
    path = folder / f"{kind}.photo"
    path.write_bytes(files.of(kind))
    return open_photo(path)
