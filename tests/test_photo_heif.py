"""HEIC and AVIF photos: upright once, the right colours, and every kind of bad file."""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import Any

import numpy as np
import photo_files as make
import pillow_heif
import pytest
from PIL import Image, ImageOps

from fullhide import _heif, _icc
from fullhide.errors import PhotoError
from fullhide.photo import Photo, open_photo

SCENE = make.picture(96, 64)


def heic(pixels: make.Array = SCENE, **options: Any) -> bytes:
    stream = io.BytesIO()
    picture = pillow_heif.from_pillow(Image.fromarray(pixels))
    picture.save(stream, **{"quality": 95, "chroma": 444, **options})
    return stream.getvalue()


def heic10(wide: make.Array, **options: Any) -> bytes:
    """Ten bits out of sixteen; twelve with pillow_heif's own option."""
    stream = io.BytesIO()
    size = (wide.shape[1], wide.shape[0])
    picture = pillow_heif.from_bytes("RGB;16", size, wide.tobytes())
    picture.save(stream, **{"quality": 95, "chroma": 444, **options})
    return stream.getvalue()


def avif(pixels: make.Array = SCENE, **options: Any) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(
        stream, "AVIF", **{"quality": 95, "subsampling": "4:4:4", "speed": 10, **options}
    )
    return stream.getvalue()


def opened(folder: Path, data: bytes, name: str = "left bench.heic", **options: int) -> Photo:
    (folder / name).write_bytes(data)
    return open_photo(folder / name, **options)


def refused(folder: Path, data: bytes, **options: int) -> str:
    with pytest.raises(PhotoError) as caught:
        opened(folder, data, **options)
    text = str(caught.value)
    assert "\n" not in text
    assert "left bench.heic" in text
    assert caught.value.remedy
    return text


MAKERS = {"HEIC": heic, "AVIF": avif}


@pytest.mark.parametrize("kind", MAKERS)
def test_the_picture_comes_back(tmp_path: Path, kind: str) -> None:
    photo = opened(tmp_path, MAKERS[kind]())
    assert (photo.format, photo.bits, photo.size_px) == (kind, 8, (96, 64))
    # Quality 95 of a noisy picture: tolerances of our own.
    apart = photo.encoded.astype(float) - SCENE
    assert np.abs(apart.mean(axis=(0, 1))).max() < 0.6
    assert np.abs(apart).mean() < 2.5


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", MAKERS)
def test_every_orientation_comes_out_upright_once(
    tmp_path: Path, orientation: int, kind: str
) -> None:
    # Both writers say the orientation twice: in the container's rotation and mirroring, and
    # (HEIC) in the tags. Outside reference: Pillow's ImageOps.exif_transpose of what is stored.
    tags = Image.Exif()
    tags[274] = orientation
    data = MAKERS[kind](exif=tags.tobytes())
    if orientation > 1:
        assert b"irot" in data or b"imir" in data
    stored = Image.fromarray(SCENE)
    stored.getexif()[274] = orientation
    wanted = np.asarray(ImageOps.exif_transpose(stored)).astype(float)
    photo = opened(tmp_path, data)
    assert photo.size_px == (wanted.shape[1], wanted.shape[0])
    assert np.abs(photo.encoded - wanted).mean() < 2.5


@pytest.mark.parametrize("kind", MAKERS)
def test_an_orientation_in_the_tags_alone_does_not_turn(tmp_path: Path, kind: str) -> None:
    # ISO/IEC 23008-12: rotation is the container's; the tags only repeat it.
    tags = Image.Exif()
    tags[284] = 6  # whatever number the writers make nothing of; then renamed
    data = MAKERS[kind](exif=tags.tobytes())
    entry = struct.pack(">HHIHH", 284, 3, 1, 6, 0)
    assert entry in data
    turned = data.replace(entry, struct.pack(">HHIHH", 274, 3, 1, 6, 0))
    assert opened(tmp_path, turned).size_px == (96, 64)


@pytest.mark.parametrize("bits", [10, 12])
def test_more_than_eight_bits_are_kept(
    tmp_path: Path, bits: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pillow_heif.options, "SAVE_HDR_TO_12_BIT", bits == 12)
    ramp = np.linspace(0, 65535, 256).astype(np.uint16)
    wide = np.stack([np.tile(ramp, (64, 1))] * 3, axis=-1)
    wide[:, :128, 0] = 65535
    photo = opened(tmp_path, heic10(wide, quality=-1, matrix_coefficients=0))
    assert photo.bits == 16
    assert photo.encoded.max() == 65535
    assert photo.encoded.min() == 0
    # Lossless but for the bits: half a step of the file's, and one.
    assert np.abs(photo.encoded.astype(int) - wide).max() <= 1.5 * 65535 / (2**bits - 1)
    assert len(np.unique(photo.encoded[..., 1])) > 200


# ---------------------------------------------------------------- colour


@pytest.mark.parametrize("kind", MAKERS)
def test_an_embedded_profile_counts(tmp_path: Path, kind: str) -> None:
    p3 = _icc.named_profile("Display P3", 256)
    icc = make.matrix_profile(
        p3.matrix, make.table_tag(_icc.srgb_curve(np.linspace(0, 1, 1024))), name="wide space"
    )
    if kind == "HEIC":
        image = Image.fromarray(SCENE)
        image.info["icc_profile"] = icc
        stream = io.BytesIO()
        pillow_heif.from_pillow(image).save(stream, quality=95, chroma=444)
        photo = opened(tmp_path, stream.getvalue())
    else:
        photo = opened(tmp_path, avif(icc_profile=icc))
    assert photo.profile == "wide space"
    np.testing.assert_allclose(photo.matrix, _icc.to_working(p3.matrix), atol=1e-3)


# ITU-T H.273: primaries 12 = SMPTE EG 432-1 (D65), 9 = BT.2020, 1 = BT.709; transfer 13 = sRGB.
@pytest.mark.parametrize(("primaries", "space"), [(12, "Display P3"), (9, "Rec.2020"), (1, "sRGB")])
@pytest.mark.parametrize("kind", MAKERS)
def test_code_points_name_the_space(
    tmp_path: Path, kind: str, primaries: int, space: _icc.Space
) -> None:
    photo = opened(tmp_path, coded(kind, primaries, 13))
    wanted = _icc.named_profile(space, 256)
    np.testing.assert_allclose(photo.matrix, _icc.to_working(wanted.matrix), atol=1e-9)
    assert "profile_assumed" not in photo.flags


@pytest.mark.parametrize("transfer", [16, 18])
@pytest.mark.parametrize("kind", MAKERS)
def test_an_hdr_picture_is_refused(tmp_path: Path, kind: str, transfer: int) -> None:
    assert "HDR" in refused(tmp_path, coded(kind, 9, transfer))


@pytest.mark.parametrize("kind", MAKERS)
def test_unspecified_code_points_are_an_assumption(tmp_path: Path, kind: str) -> None:
    assert "profile_assumed" in opened(tmp_path, coded(kind, 2, 2)).flags


def coded(kind: str, primaries: int, transfer: int) -> bytes:
    """A file whose `colr` box names other code points than its writer's."""
    data = MAKERS[kind]()
    at = data.index(b"colrnclx") + 8
    return data[:at] + struct.pack(">HH", primaries, transfer) + data[at + 4 :]


def test_the_primary_pictures_colours_count_not_anothers() -> None:
    # Two `colr` boxes, of which the primary picture is linked to the second.
    def box(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I4s", len(body) + 8, kind) + body

    def colr(primaries: int) -> bytes:
        return box(b"colr", b"nclx" + struct.pack(">HHHB", primaries, 13, 6, 128))

    links = box(b"ipma", struct.pack(">BBBBIHBBHBB", 0, 0, 0, 0, 2, 1, 1, 2, 7, 1, 0x83))
    store = box(b"ipco", colr(9) + box(b"av1C", bytes(4)) + colr(12))
    primary = box(b"pitm", struct.pack(">IH", 0, 7))
    meta = box(b"meta", bytes(4) + primary + box(b"iprp", store + links))
    data = box(b"ftyp", b"avif\0\0\0\0mif1") + meta
    assert _heif._picture(data).coding == (12, 13)


# ---------------------------------------------------------------- gain maps and other helpers


def test_a_gain_map_is_left_aside_and_said(tmp_path: Path) -> None:
    # Helper pictures other than transparency are not written by the library: one is renamed.
    see_through = np.dstack([SCENE, np.full(SCENE.shape[:2], 255, np.uint8)])
    data = heic(see_through)
    assert "gain_map" not in opened(tmp_path, data).flags
    name = b"urn:mpeg:hevc:2015:auxid:1"
    assert name in data
    photo = opened(tmp_path, data.replace(name, b"urn:example:hdrgainmap".ljust(len(name), b"\0")))
    assert "gain_map" in photo.flags
    assert photo.encoded.shape == SCENE.shape


@pytest.mark.parametrize("kind", MAKERS)
def test_transparency_is_refused_unless_all_is_opaque(tmp_path: Path, kind: str) -> None:
    alpha = np.full(SCENE.shape[:2], 255, np.uint8)
    opaque = opened(tmp_path, MAKERS[kind](np.dstack([SCENE, alpha])))
    assert opaque.encoded.shape == SCENE.shape
    alpha[:30] = 90
    assert "transparent" in refused(tmp_path, MAKERS[kind](np.dstack([SCENE, alpha])))


# ---------------------------------------------------------------- no use


@pytest.mark.parametrize("kind", MAKERS)
def test_black_and_white_is_refused(tmp_path: Path, kind: str) -> None:
    grey = heic(SCENE[..., 0]) if kind == "HEIC" else avif(SCENE[..., 0], subsampling="4:0:0")
    assert "black-and-white" in refused(tmp_path, grey)


def test_moving_pictures_are_refused(tmp_path: Path) -> None:
    stream = io.BytesIO()
    frames = [Image.fromarray(make.picture(seed=seed)) for seed in (1, 2)]
    frames[0].save(stream, "AVIF", save_all=True, append_images=frames[1:], speed=10)
    assert "animated" in refused(tmp_path, stream.getvalue())
    film = struct.pack(">I4s4sI", 16, b"ftyp", b"isom", 0) + struct.pack(">I4s", 16, b"moov")
    assert "film" in refused(tmp_path, film + bytes(8))


def test_an_unknown_codec_is_refused(tmp_path: Path) -> None:
    assert "codec" in refused(tmp_path, heic().replace(b"hvcC", b"vvcC"))


@pytest.mark.parametrize("share", [0.02, 0.2, 0.6, 0.95, 0.999])
@pytest.mark.parametrize("kind", MAKERS)
def test_a_file_cut_short_is_refused(tmp_path: Path, kind: str, share: float) -> None:
    data = MAKERS[kind]()
    assert "copy it from the camera again" in refused(tmp_path, data[: int(len(data) * share)])


@pytest.mark.parametrize("kind", MAKERS)
def test_an_absurdly_large_picture_is_refused_undecoded(tmp_path: Path, kind: str) -> None:
    data = MAKERS[kind]()
    assert "pixels are more than" in refused(tmp_path, data, max_pixels=96 * 64 - 1)
    huge = data.replace(struct.pack(">II", 96, 64), struct.pack(">II", 30_000, 30_000))
    assert huge != data
    refused(tmp_path, huge)


@pytest.mark.parametrize("ending", [".jpg", ".png", ".dng", ".txt", ""])
@pytest.mark.parametrize("kind", MAKERS)
def test_the_ending_of_the_name_does_not_count(tmp_path: Path, kind: str, ending: str) -> None:
    assert opened(tmp_path, MAKERS[kind](), f"bench{ending}").format == kind


def test_jpeg_xl_is_refused_by_name(tmp_path: Path) -> None:
    for head in (b"\xff\x0a\xfa\x1f", b"\0\0\0\x0cJXL \r\n\x87\n"):
        assert "JPEG XL" in refused(tmp_path, head + bytes(60))


@pytest.mark.parametrize("fill", [b"\0", b"\0\0\1"], ids=["zeros", "start codes"])
@pytest.mark.parametrize("part", [0.3, 0.6, 0.9])
def test_a_heic_with_a_hole_in_it_is_refused(tmp_path: Path, part: float, fill: bytes) -> None:
    # As after a copy that did not finish: the file has its size, some of it never arrived.
    data = heic(make.picture(320, 200))
    start = data.index(b"mdat")
    at = start + int((len(data) - start) * part)
    holed = data[:at] + (fill * 64)[:64] + data[at + 64 :]
    # Outside: libheif decodes it without a word.
    assert pillow_heif.open_heif(holed).data
    assert "damaged" in refused(tmp_path, holed)


def test_a_unit_that_does_not_fill_its_item_is_refused(tmp_path: Path) -> None:
    data = heic()
    at = data.index(b"mdat") + 4
    length = struct.unpack_from(">I", data, at)[0]
    for other in (length - 7, length + 7):
        changed = data[:at] + struct.pack(">I", other) + data[at + 4 :]
        assert "damaged" in refused(tmp_path, changed)
