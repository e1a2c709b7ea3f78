"""From a file's codes to light: profiles, named spaces and what is done when neither is there."""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import photo_files as make
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms

from fullhide import _icc
from fullhide._colour_science import colour as colour_science
from fullhide.photo import Photo, open_photo

F64 = NDArray[np.float64]

colour = colour_science()

# White of D50 as colour-science has it; Bradford is what ICC profiles are adapted with.
D50_XY = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
WORKING = colour.RGB_COLOURSPACES["ITU-R BT.2020"]

SRGB_FORMULA = make.formula_tag(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
# ROMM RGB (ISO 22028-2): gamma 1.8 with a straight foot of slope 1/16 below code 1/32.
ROMM_FORMULA = make.formula_tag(3, 1.8, 1.0, 0.0, 1 / 16, 1 / 32)
CURVES = {
    "sRGB": SRGB_FORMULA,
    "Display P3": SRGB_FORMULA,
    "Adobe RGB (1998)": make.gamma_tag(563 / 256),
    "ProPhoto RGB": ROMM_FORMULA,
}


def scene() -> F64:
    """(24, 3) XYZ under D50 of colours inside sRGB: dark dyes to near white."""
    rgb = np.random.default_rng(11).uniform(0.01, 0.9, (24, 3)) ** 1.8
    rgb[:6] *= 0.05
    return np.asarray(
        colour.RGB_to_XYZ(rgb, "sRGB", D50_XY, chromatic_adaptation_transform="Bradford")
    )


def encode(xyz: F64, space: str) -> F64:
    """Codes from 0 to 1 by colour-science."""
    return np.asarray(
        colour.XYZ_to_RGB(
            xyz,
            colour.RGB_COLOURSPACES[space],
            D50_XY,
            chromatic_adaptation_transform="Bradford",
            apply_cctf_encoding=True,
        )
    )


def colorants(space: str) -> F64:
    """(3, 3) linear RGB to XYZ (D50) by colour-science."""
    columns = colour.RGB_to_XYZ(
        np.eye(3),
        colour.RGB_COLOURSPACES[space],
        D50_XY,
        chromatic_adaptation_transform="Bradford",
    )
    return np.asarray(columns).T


def patches(codes: F64, bits: int) -> NDArray[Any]:
    kind = np.uint16 if bits == 16 else np.uint8
    flat = np.rint(codes * np.iinfo(kind).max).astype(kind)
    return np.ascontiguousarray(np.repeat(np.repeat(flat.reshape(4, 6, 3), 8, 0), 8, 1))


def opened(folder: Path, data: bytes) -> Photo:
    path = folder / "patches"
    path.write_bytes(data)
    return open_photo(path)


def patch_xyz(photo: Photo) -> F64:
    """(24, 3) XYZ (D50) of the patches, from the working space by colour-science."""
    light = photo.linear()[4::8, 4::8].reshape(24, 3)
    return np.asarray(
        colour.RGB_to_XYZ(light, WORKING, D50_XY, chromatic_adaptation_transform="Bradford")
    )


def delta_e(first: F64, second: F64) -> F64:
    lab = [colour.XYZ_to_Lab(xyz, D50_XY) for xyz in (first, second)]
    return np.asarray(colour.delta_E(*lab, method="CIE 2000"))


# ---------------------------------------------------------------- the same scene in several spaces


@pytest.mark.parametrize("container", ["png", "tiff"])
@pytest.mark.parametrize("space", CURVES)
def test_sixteen_bits_give_back_the_scenes_colours(
    tmp_path: Path, space: str, container: str
) -> None:
    profile = make.matrix_profile(colorants(space), CURVES[space], name=space)
    pixels = patches(encode(scene(), space), 16)
    data = {
        "png": lambda: make.png(pixels, extra=make.icc_chunk(profile)),
        "tiff": lambda: make.tiff(pixels, iccprofile=profile),
    }[container]()
    photo = opened(tmp_path, data)
    assert photo.profile == space
    assert photo.flags == ()
    # Our own tolerance: what 16-bit codes and the profile's 1/65536 steps leave over.
    assert delta_e(patch_xyz(photo), scene()).max() < 0.02
    # 3e-4 of a white: the published white of ROMM RGB and D50 of ASTM E308 differ by so much.
    np.testing.assert_allclose(patch_xyz(photo), scene(), rtol=3e-4, atol=2e-5)


@pytest.mark.parametrize("space", CURVES)
def test_eight_bits_give_the_same_colours_but_for_rounding(tmp_path: Path, space: str) -> None:
    profile = make.matrix_profile(colorants(space), CURVES[space], version=2)
    pixels = patches(encode(scene(), space), 8)
    photo = opened(tmp_path, make.png(pixels, extra=make.icc_chunk(profile)))
    # What rounding to 8 bits does by itself, by colour-science; ours adds nothing to speak of.
    rounded = colour.RGB_to_XYZ(
        pixels[4::8, 4::8].reshape(24, 3) / 255,
        colour.RGB_COLOURSPACES[space],
        D50_XY,
        chromatic_adaptation_transform="Bradford",
        apply_cctf_decoding=True,
    )
    assert delta_e(patch_xyz(photo), np.asarray(rounded)).max() < 0.02


def test_wide_gamut_photos_of_one_scene_agree(tmp_path: Path) -> None:
    found = []
    for space in ("Display P3", "Adobe RGB (1998)"):
        profile = make.matrix_profile(colorants(space), CURVES[space])
        pixels = patches(encode(scene(), space), 16)
        found.append(patch_xyz(opened(tmp_path, make.tiff(pixels, iccprofile=profile))))
    assert delta_e(*found).max() < 0.02


def test_jpeg_with_a_profile(tmp_path: Path) -> None:
    profile = make.matrix_profile(colorants("Display P3"), SRGB_FORMULA, name="Display P3")
    pixels = patches(encode(scene(), "Display P3"), 8)
    data = make.jpeg(pixels, quality=100, subsampling=0, icc_profile=profile)
    photo = opened(tmp_path, data)
    assert photo.profile == "Display P3"
    # Our own tolerance for JPEG of the best quality on flat patches, the darkest included.
    assert np.median(delta_e(patch_xyz(photo), scene())) < 0.5


def test_a_long_profile_in_several_segments_is_put_together(tmp_path: Path) -> None:
    tags = make.matrix_profile(colorants("Display P3"), SRGB_FORMULA, name="Display P3")
    long = tags + os.urandom(100_000)
    data = make.jpeg(patches(encode(scene(), "Display P3"), 8), icc_profile=long)
    assert data.count(b"ICC_PROFILE\0") == 2
    assert opened(tmp_path, data).profile == "Display P3"


def test_pillows_own_profile_is_srgb(tmp_path: Path) -> None:
    # Outside reference: the sRGB profile that the colour engine inside Pillow creates.
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    pixels = patches(encode(scene(), "sRGB"), 16)
    photo = opened(tmp_path, make.png(pixels, extra=make.icc_chunk(profile)))
    assert photo.flags == ()
    assert "sRGB" in photo.profile
    assert delta_e(patch_xyz(photo), scene()).max() < 0.02


# ---------------------------------------------------------------- curves


@pytest.mark.parametrize("levels", [256, 65536])
def test_srgb_curve_is_that_of_the_standard(levels: int) -> None:
    # IEC 61966-2-1 by colour-science.
    codes = np.arange(levels) / (levels - 1)
    wanted = colour.models.eotf_sRGB(codes)
    got = _icc.named_profile("sRGB", levels).curve
    assert got.shape == (levels, 3)
    np.testing.assert_allclose(got, np.repeat(wanted[:, None], 3, 1), atol=1e-12)


def test_adobe_curve_is_that_of_the_standard() -> None:
    wanted = colour.RGB_COLOURSPACES["Adobe RGB (1998)"].cctf_decoding(np.arange(256) / 255)
    np.testing.assert_allclose(_icc.named_profile("Adobe RGB", 256).curve[:, 1], wanted, atol=1e-12)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("sRGB", "sRGB"),
        ("Adobe RGB", "Adobe RGB (1998)"),
        ("Display P3", "Display P3"),
        ("Rec.2020", "ITU-R BT.2020"),
    ],
)
def test_matrices_agree_with_colour_science(ours: _icc.Space, theirs: str) -> None:
    # 2e-4: colour-science keeps the published four-digit matrices of some of the standards.
    got = _icc.primaries_to_xyz(_icc.SPACES[ours])
    np.testing.assert_allclose(got, colorants(theirs), atol=2e-4)


def test_the_working_spaces_white_is_white() -> None:
    for space in _icc.SPACES:
        matrix = _icc.to_working(_icc.primaries_to_xyz(_icc.SPACES[space]))
        np.testing.assert_allclose(matrix.sum(axis=1), 1.0, atol=1e-12)


TABLE = np.linspace(0, 1, 37) ** 2.1

CURVE_TAGS = {
    "straight": b"curv\0\0\0\0" + struct.pack(">I", 0),
    "gamma 1.8": make.gamma_tag(1.8),
    "gamma 2.2": make.gamma_tag(2.2),
    "table": make.table_tag(TABLE),
    "formula 0": make.formula_tag(0, 2.3),
    "formula 1": make.formula_tag(1, 2.0, 1 / 1.1, 0.1 / 1.1),
    "formula 1, all above": make.formula_tag(1, 2.0, 1.0, 0.0),
    "formula 2": make.formula_tag(2, 2.0, 0.9, 0.05, 0.05),
    "formula 3": SRGB_FORMULA,
    "formula 4": make.formula_tag(4, 2.4, 0.93, 0.055, 1 / 13, 0.04045, 0.02, 0.0),
}


@pytest.mark.parametrize("case", CURVE_TAGS)
def test_every_kind_of_curve_agrees_with_another_colour_engine(tmp_path: Path, case: str) -> None:
    # Outside reference: the colour engine inside Pillow, through the same profile to sRGB.
    space = colorants("sRGB")
    profile = make.matrix_profile(space, CURVE_TAGS[case])
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, 2)
    ramp = np.repeat(ramp, 2, 0)
    ramp[1, :, 1:] = 90
    theirs = ImageCms.profileToProfile(
        Image.fromarray(ramp),
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        outputMode="RGB",
    )
    photo = opened(tmp_path, make.png(ramp, extra=make.icc_chunk(profile)))
    assert photo.flags == ()
    light = colour.RGB_to_RGB(photo.linear(), WORKING, "sRGB", chromatic_adaptation_transform=None)
    ours = np.rint(colour.models.eotf_inverse_sRGB(np.clip(light, 0, 1)) * 255)
    # One code of rounding; the other engine works in 8 bits with shortcuts, so two at a few.
    apart = np.abs(ours - np.asarray(theirs, np.float64))
    assert apart.max() <= 2
    assert np.mean(apart > 1) < 0.02


def test_channels_may_have_curves_of_their_own(tmp_path: Path) -> None:
    tags = [make.gamma_tag(1.5), make.gamma_tag(2.0), make.gamma_tag(2.5)]
    profile = make.matrix_profile(colorants("sRGB"), tags)
    photo = opened(tmp_path, make.png(make.picture(), extra=make.icc_chunk(profile)))
    wanted = [(128 / 255) ** gamma for gamma in (1.5, 2.0, 2.5)]
    np.testing.assert_allclose(photo.curve[128], wanted, atol=1e-6)


# ---------------------------------------------------------------- spaces that the file only names


def exif_with(space: int, index: str = "") -> bytes:
    tags = Image.Exif()
    exif = tags.get_ifd(34665)
    exif[0xA001] = space
    if index:
        exif[0xA005] = {1: index}
    return tags.tobytes()


@pytest.mark.parametrize(
    ("space", "index", "name"),
    [
        (65535, "R03", "Adobe RGB (EXIF)"),
        (2, "", "Adobe RGB (EXIF)"),
        (1, "", "sRGB (EXIF)"),
        (1, "R98", "sRGB (EXIF)"),
        (65535, "", "sRGB (assumed)"),
    ],
)
def test_exif_names_the_space(tmp_path: Path, space: int, index: str, name: str) -> None:
    data = make.jpeg(make.picture(), exif=exif_with(space, index))
    photo = opened(tmp_path, data)
    assert photo.profile == name
    assert photo.flags == (("profile_assumed",) if "assumed" in name else ())


def test_adobe_rgb_by_exif_gives_the_scenes_colours(tmp_path: Path) -> None:
    pixels = patches(encode(scene(), "Adobe RGB (1998)"), 16)
    chunk = make.chunk(b"eXIf", exif_with(65535, "R03").removeprefix(b"Exif\0\0"))
    photo = opened(tmp_path, make.png(pixels, extra=chunk))
    assert delta_e(patch_xyz(photo), scene()).max() < 0.02


def test_a_profile_goes_before_what_exif_says(tmp_path: Path) -> None:
    profile = make.matrix_profile(colorants("Display P3"), SRGB_FORMULA, name="Display P3")
    data = make.jpeg(make.picture(), exif=exif_with(1), icc_profile=profile)
    assert opened(tmp_path, data).profile == "Display P3"


def chromaticities(space: str) -> bytes:
    given = colour.RGB_COLOURSPACES[space]
    points = np.concatenate([given.whitepoint[None], given.primaries]).ravel()
    return make.chunk(b"cHRM", struct.pack(">8I", *np.rint(points * 100000).astype(int)))


def gamma_chunk(value: int) -> bytes:
    return make.chunk(b"gAMA", struct.pack(">I", value))


@pytest.mark.parametrize(
    ("space", "extra"),
    [
        ("sRGB", make.chunk(b"sRGB", b"\1")),
        ("sRGB", gamma_chunk(45455)),
        ("sRGB", gamma_chunk(45455) + chromaticities("sRGB")),
        ("Adobe RGB (1998)", gamma_chunk(45471) + chromaticities("Adobe RGB (1998)")),
        ("Display P3", make.chunk(b"cICP", bytes([12, 13, 0, 1]))),
        ("sRGB", make.chunk(b"cICP", bytes([1, 13, 0, 1]))),
    ],
    ids=["sRGB", "gAMA", "gAMA cHRM", "gAMA cHRM wide", "cICP P3", "cICP sRGB"],
)
def test_png_colour_chunks_are_honoured(tmp_path: Path, space: str, extra: bytes) -> None:
    photo = opened(tmp_path, make.png(patches(encode(scene(), space), 16), extra=extra))
    assert photo.flags == ()
    # 0.1 is our own: a gAMA chunk near 0.45455 cannot tell Adobe's 2.199 from 2.2.
    assert delta_e(patch_xyz(photo), scene()).max() < 0.1


def test_no_word_about_colour_is_srgb_and_said(tmp_path: Path) -> None:
    photo = opened(tmp_path, make.tiff(patches(encode(scene(), "sRGB"), 16)))
    assert photo.profile == "sRGB (assumed)"
    assert photo.flags == ("profile_assumed",)
    assert delta_e(patch_xyz(photo), scene()).max() < 0.02


# ---------------------------------------------------------------- profiles that are of little use


def test_a_profile_of_tables_is_applied_roughly_and_said(tmp_path: Path) -> None:
    def lab(codes: F64) -> F64:
        xyz = colour.RGB_to_XYZ(
            codes,
            "Display P3",
            D50_XY,
            chromatic_adaptation_transform="Bradford",
            apply_cctf_decoding=True,
        )
        return np.asarray(colour.XYZ_to_Lab(xyz, D50_XY))

    codes = encode(scene(), "Display P3")
    profile = make.table_profile(lab)
    for bits in (8, 16):
        data = make.tiff(patches(codes, bits), iccprofile=profile)
        photo = opened(tmp_path, data)
        assert photo.profile == "by table"
        assert photo.flags == ("profile_approximate",)
        assert photo.bits == 8
        # Our own tolerance for a grid of 17 and 8-bit sRGB; taken for sRGB it would be far off.
        assert np.median(delta_e(patch_xyz(photo), scene())) < 1.0


SOUND = make.matrix_profile(colorants("Display P3"), SRGB_FORMULA)


def skewed(factor: float) -> bytes:
    matrix = colorants("Display P3").copy()
    matrix[:, 0] *= factor
    return make.matrix_profile(matrix, SRGB_FORMULA)


BAD_PROFILES = {
    "empty": b"",
    "short": SOUND[:100],
    "half": SOUND[: len(SOUND) // 2],
    "no signature": SOUND.replace(b"acsp", b"xxxx"),
    "grey": make.profile({b"kTRC": make.gamma_tag(2.2)}, space=b"GRAY"),
    "cmyk": make.profile({}, space=b"CMYK"),
    "no tags": make.profile({}),
    "white is not white": skewed(1.4),
    "negative": skewed(-1.0),
    "curve falls": make.matrix_profile(colorants("sRGB"), make.table_tag(np.linspace(1, 0, 50))),
    "curve ends low": make.matrix_profile(
        colorants("sRGB"), make.table_tag(np.linspace(0, 0.4, 9))
    ),
    "formula unknown": make.matrix_profile(colorants("sRGB"), make.formula_tag(9, 2.2)),
    "formula short": make.matrix_profile(colorants("sRGB"), make.formula_tag(4, 2.2)),
    "gamma none": make.matrix_profile(colorants("sRGB"), make.gamma_tag(0.0)),
    "table of lies": make.profile({b"A2B0": b"mft2\0\0\0\0\3\3\xff\0", b"desc": b""}),
}


@pytest.mark.parametrize("case", BAD_PROFILES)
def test_a_bad_profile_counts_as_none_and_is_said(tmp_path: Path, case: str) -> None:
    data = make.tiff(patches(encode(scene(), "sRGB"), 8), iccprofile=BAD_PROFILES[case] or b"\0")
    photo = opened(tmp_path, data)
    assert photo.profile == "sRGB (assumed)"
    assert set(photo.flags) == {"profile_assumed"}


def test_a_profile_with_a_missing_part_counts_as_none(tmp_path: Path) -> None:
    part = make.segment(0xE2, b"ICC_PROFILE\0\x01\x02" + SOUND)
    photo = opened(tmp_path, make.with_segments(make.jpeg(make.picture()), part))
    assert photo.flags == ("profile_assumed",)


@settings(max_examples=300, deadline=None)
@given(
    edits=st.lists(
        st.tuples(st.integers(0, len(SOUND) - 1), st.binary(min_size=1, max_size=6)), max_size=6
    ),
    length=st.integers(0, len(SOUND)),
)
def test_mangled_profiles_are_read_or_refused(edits: list[tuple[int, bytes]], length: int) -> None:
    data = bytearray(SOUND)
    for at, new in edits:
        data[at : at + len(new)] = new
    data = data[: length if length % 3 == 0 else None]
    found = _icc.read_profile(bytes(data), 256)
    if found is not None:
        assert np.isfinite(found.curve).all()
        assert found.curve.shape == (256, 3)
        np.testing.assert_allclose(found.matrix.sum(axis=1), _icc.D50, atol=1e-9)
        assert found.name.isprintable()
