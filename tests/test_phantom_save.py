"""Files written by the test photographs, read back by Pillow, LittleCMS and OpenCV."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from fullhide.errors import OutputError
from fullhide.phantom import Camera, Rendering, Scene, Spot, render, save_photo

SCENE = Scene(
    size_px=(200, 150),
    mm_per_px=1.0,
    chart=None,
    camera=Camera(sensor="ideal", noise=0),
    # No strong colours: there one 8-bit step of a wide space is several of sRGB's.
    spots=(Spot("white transition coat", (60.0, 40.0), 200.0),),
)


@cache
def rendering(bits: int = 8) -> Rendering:
    return render(replace(SCENE, camera=replace(SCENE.camera, bits=bits)))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".png", ".tif", ".jpg"])
def test_every_orientation_shows_the_same_upright_picture(
    tmp_path: Path, suffix: str, orientation: int
) -> None:
    path = save_photo(
        rendering(), tmp_path / f"a{suffix}", quality=97, exif_orientation=orientation
    )
    with Image.open(path) as stored:
        assert stored.getexif().get(0x0112, 1) == orientation
        upright = np.asarray(ImageOps.exif_transpose(stored)).astype(int)
    difference = np.abs(upright - rendering().rgb.astype(int))
    # JPEG at quality 97 changes codes a little: our own bound; the others are exact.
    assert difference.mean() < (1.0 if suffix == ".jpg" else 1e-9)


@pytest.mark.parametrize("profile", ["srgb", "display-p3", "adobe-rgb"])
def test_embedded_profiles_lead_to_the_same_colours(tmp_path: Path, profile: str) -> None:
    path = save_photo(rendering(), tmp_path / "a.png", profile=profile)
    with Image.open(path) as stored:
        icc = ImageCms.ImageCmsProfile(io.BytesIO(stored.info["icc_profile"]))
        srgb = ImageCms.profileToProfile(
            stored.convert("RGB"),
            icc,
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    assert srgb is not None
    difference = np.abs(np.asarray(srgb).astype(int) - rendering().rgb.astype(int))
    # Both roundings to 8 bits, at most 2 codes where the wider space has coarser steps.
    assert difference.max() <= 2


def test_wide_spaces_hold_other_numbers(tmp_path: Path) -> None:
    path = save_photo(rendering(), tmp_path / "a.png", profile="adobe-rgb")
    with Image.open(path) as stored:
        difference = np.abs(np.asarray(stored).astype(int) - rendering().rgb.astype(int))
    assert difference.max() > 10


def test_a_photo_can_be_written_without_a_profile(tmp_path: Path) -> None:
    path = save_photo(rendering(), tmp_path / "a.jpg", profile=None)
    with Image.open(path) as stored:
        assert "icc_profile" not in stored.info


@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_sixteen_bits_are_kept(tmp_path: Path, suffix: str) -> None:
    path = save_photo(rendering(16), tmp_path / f"a{suffix}")
    back = cv2.imread(str(path), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    assert back is not None
    assert back.dtype == np.uint16
    np.testing.assert_array_equal(back[..., ::-1], rendering(16).rgb)
    with Image.open(path) as stored:
        assert stored.info["icc_profile"]


@pytest.mark.parametrize(
    ("name", "options", "said"),
    [
        ("a.gif", {}, "no format"),
        ("a.jpg", {"exif_orientation": 9}, "orientation"),
        ("nowhere/a.jpg", {}, "nowhere"),
        ("a.jpg", {"profile": "cmyk"}, "profile"),
        ("a.jpg", {"quality": 0}, "quality"),
    ],
)
def test_what_cannot_be_written_is_said_in_one_line(
    tmp_path: Path, name: str, options: dict[str, object], said: str
) -> None:
    with pytest.raises(OutputError, match=said) as caught:
        save_photo(rendering(), tmp_path / name, **options)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_sixteen_bits_do_not_fit_a_jpeg(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="8 bits"):
        save_photo(rendering(16), tmp_path / "a.jpg")
