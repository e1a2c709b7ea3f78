"""Opening photo files: upright pixels, the file's hash, light, and every kind of bad file."""

from __future__ import annotations

import hashlib
import io
import os
import struct
from pathlib import Path

import numpy as np
import photo_files as make
import pytest
from PIL import Image, ImageOps
from PIL.TiffImagePlugin import IFDRational

from fullhide.errors import PhotoError
from fullhide.photo import MAX_PIXELS, Photo, open_photo
from fullhide.quality import FLAGS

SCENE = make.picture()


def opened(folder: Path, data: bytes, name: str = "left bench.jpg", **options: int) -> Photo:
    path = folder / name
    path.write_bytes(data)
    return open_photo(path, **options)


def refused(folder: Path, data: bytes, name: str = "left bench.jpg", **options: int) -> str:
    """The one line of the error, proved to be one line that names the file."""
    with pytest.raises(PhotoError) as caught:
        opened(folder, data, name, **options)
    text = str(caught.value)
    assert "\n" not in text
    assert name in text
    assert caught.value.remedy
    return text


# ---------------------------------------------------------------- upright


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "TIFF16"])
def test_every_orientation_comes_out_upright(tmp_path: Path, orientation: int, kind: str) -> None:
    # Outside reference: Pillow's ImageOps.exif_transpose.
    tags = Image.Exif()
    tags[274] = orientation
    stored = Image.fromarray(SCENE)
    if kind == "TIFF16":
        wide = SCENE.astype(np.uint16) * 257
        data = make.tiff(wide, extratags=[(274, "H", 1, orientation, True)])
    else:
        stream = io.BytesIO()
        stored.save(stream, kind, exif=tags, **({"quality": 95} if kind == "JPEG" else {}))
        data = stream.getvalue()
        if kind == "JPEG":
            stored = Image.open(io.BytesIO(data))
    stored.getexif()[274] = orientation
    wanted = np.asarray(ImageOps.exif_transpose(stored)).astype(int)
    photo = opened(tmp_path, data)
    got = photo.encoded.astype(int) // (257 if kind == "TIFF16" else 1)
    assert photo.size_px == (wanted.shape[1], wanted.shape[0])
    # Two JPEG decoders may round differently by a code; PNG and TIFF are exact.
    assert np.abs(got - wanted).max() <= (1 if kind == "JPEG" else 0)
    assert photo.encoded.flags.c_contiguous


@pytest.mark.parametrize("nonsense", [0, 9, 65535])
def test_nonsense_orientation_counts_as_upright(tmp_path: Path, nonsense: int) -> None:
    tags = Image.Exif()
    tags[274] = nonsense
    data = make.jpeg(SCENE, exif=tags)
    assert opened(tmp_path, data).size_px == (SCENE.shape[1], SCENE.shape[0])


# ---------------------------------------------------------------- the file and its pixels


def test_hash_is_of_the_files_bytes(tmp_path: Path) -> None:
    data = make.png(SCENE)
    assert opened(tmp_path, data).sha256 == hashlib.sha256(data).hexdigest()


def test_opening_changes_nothing_in_the_folder(tmp_path: Path) -> None:
    data = make.jpeg(SCENE)
    opened(tmp_path, data)
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("left bench.jpg", data)]


def test_pixels_cannot_be_altered(tmp_path: Path) -> None:
    photo = opened(tmp_path, make.png(SCENE))
    for array in (photo.encoded, photo.curve, photo.matrix):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0


@pytest.mark.parametrize(
    "data",
    [
        make.png(SCENE),
        make.tiff(SCENE),
        make.tiff(SCENE, byteorder=">"),
        make.tiff(SCENE, tile=(16, 16)),
        make.tiff(SCENE, compression="zlib", predictor=True),
        make.tiff(SCENE.transpose(2, 0, 1).copy(), planarconfig="separate"),
        make.png(np.dstack([SCENE, np.full(SCENE.shape[:2], 255, np.uint8)])),
        make.tiff(
            np.dstack([SCENE, np.full(SCENE.shape[:2], 255, np.uint8)]), extrasamples=["unassalpha"]
        ),
    ],
    ids=["png", "tiff", "big-endian", "tiled", "deflate", "planar", "png-opaque", "tiff-opaque"],
)
def test_lossless_pixels_come_back_exactly(tmp_path: Path, data: bytes) -> None:
    photo = opened(tmp_path, data)
    assert photo.bits == 8
    assert np.array_equal(photo.encoded, SCENE)


@pytest.mark.parametrize("kind", ["png", "tiff", "tiled", "deflate", "big-endian"])
def test_sixteen_bits_come_back_exactly(tmp_path: Path, kind: str) -> None:
    wide = SCENE.astype(np.uint16) * 257 - np.minimum(SCENE, 3)
    data = {
        "png": lambda: make.png(wide),
        "tiff": lambda: make.tiff(wide),
        "tiled": lambda: make.tiff(wide, tile=(16, 16)),
        "deflate": lambda: make.tiff(wide, compression="zlib", predictor=True),
        "big-endian": lambda: make.tiff(wide, byteorder=">"),
    }[kind]()
    photo = opened(tmp_path, data)
    assert photo.bits == 16
    assert np.array_equal(photo.encoded, wide)


def test_palette_png_becomes_rgb(tmp_path: Path) -> None:
    small = Image.fromarray(SCENE).quantize(32)
    stream = io.BytesIO()
    small.save(stream, "PNG")
    photo = opened(tmp_path, stream.getvalue())
    assert np.array_equal(photo.encoded, np.asarray(small.convert("RGB")))


def test_a_box_of_light_is_that_part_of_the_whole(tmp_path: Path) -> None:
    photo = opened(tmp_path, make.png(SCENE))
    whole = photo.linear()
    assert whole.dtype == np.float32
    # Vector and scalar arithmetic may differ in float32's last digit.
    np.testing.assert_allclose(photo.linear((5, 3, 20, 30)), whole[3:30, 5:20], atol=2e-7)


@pytest.mark.parametrize("box", [(0, 0, 0, 5), (-1, 0, 5, 5), (0, 0, 49, 5), (5, 9, 9, 9)])
def test_a_box_outside_the_photo_is_an_error(
    tmp_path: Path, box: tuple[int, int, int, int]
) -> None:
    photo = opened(tmp_path, make.png(SCENE))
    with pytest.raises(ValueError, match="not inside"):
        photo.linear(box)
    with pytest.raises(ValueError, match="not inside"):
        photo.clipped(box)


@pytest.mark.parametrize(
    ("code", "bits", "clipped"),
    [(253, 8, False), (254, 8, True), (255, 8, True), (65000, 16, False), (65278, 16, True)],
)
@pytest.mark.parametrize("channel", range(3))
def test_one_channel_at_the_ceiling_is_clipped(
    tmp_path: Path, code: int, bits: int, clipped: bool, channel: int
) -> None:
    pixels = (SCENE // 2).astype(np.uint16 if bits == 16 else np.uint8)
    pixels[4, 6, channel] = code
    found = opened(tmp_path, make.png(pixels)).clipped()
    assert found.dtype == np.bool_
    assert found.sum() == int(clipped)
    assert found[4, 6] == clipped


def test_preview_is_small_and_looks_alike(tmp_path: Path) -> None:
    photo = opened(tmp_path, make.png(SCENE))
    small, scale = photo.preview(24)
    assert small.shape == (16, 24, 3)
    assert small.dtype == np.uint8
    assert scale == pytest.approx(0.5)
    # Outside reference: Pillow's box reduction of the same sRGB picture; two codes of rounding.
    wanted = np.asarray(Image.fromarray(SCENE).reduce(2)).astype(int)
    assert np.abs(small.astype(int) - wanted).max() <= 2


@pytest.mark.parametrize("factor", [2, 3, 7])
def test_reduced_light_is_the_mean_of_the_light(tmp_path: Path, factor: int) -> None:
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 256, (700, 91, 3), dtype=np.uint8)  # more rows than one strip holds
    photo = opened(tmp_path, make.png(codes))
    rows, columns = 700 // factor, 91 // factor
    box = (0, 0, columns * factor, rows * factor)
    whole = photo.linear(box).astype(np.float64)
    # NumPy's mean of blocks.
    expected = whole.reshape(rows, factor, columns, factor, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(photo.linear(box, factor=factor), expected, atol=2e-6)


def test_reduced_codes_keep_the_mean(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    codes = rng.integers(0, 256, (640, 960, 3), dtype=np.uint8)
    photo = opened(tmp_path, make.png(codes))
    small = photo.reduced((60, 40))
    assert small.shape == (40, 60, 3)
    # Each halving rounds to a whole code.
    expected = codes.reshape(40, 16, 60, 16, 3).mean(axis=(1, 3))
    assert np.abs(small - expected).max() <= 2.5


def test_share_of_clipped_pixels(tmp_path: Path) -> None:
    codes = np.full((80, 120, 3), 90, np.uint8)
    codes[:, :40, 1] = 255
    photo = opened(tmp_path, make.png(codes))
    assert photo.clipped_share() == pytest.approx(1 / 3)


def test_preview_never_enlarges(tmp_path: Path) -> None:
    photo = opened(tmp_path, make.png(SCENE))
    small, scale = photo.preview(5000)
    assert scale == 1.0
    assert np.abs(small.astype(int) - SCENE).max() <= 1
    with pytest.raises(ValueError, match="at least 1"):
        photo.preview(0)


# ---------------------------------------------------------------- what the file says


def test_capture_facts_are_kept(tmp_path: Path) -> None:
    tags = Image.Exif()
    exif = tags.get_ifd(34665)
    exif[0x9003] = "2031:04:05 06:07:08"
    exif[0x829A] = IFDRational(8, 1000)
    exif[0x829D] = IFDRational(56, 10)
    exif[0x8827] = 200
    taken = opened(tmp_path, make.jpeg(SCENE, exif=tags)).taken
    assert taken.time == "2031:04:05 06:07:08"
    assert taken.exposure_s == pytest.approx(0.008)
    assert taken.f_number == pytest.approx(5.6)
    assert taken.iso == 200


@pytest.mark.parametrize(
    "block",
    [
        b"",
        b"II*\0",
        b"MM\0*\xff\xff\xff\xff",
        b"II*\0\x08\0\0\0\xff\xff" + b"\x12\x01\x03\0\xff\xff\xff\xff\xff\xff\xff\xff",
        b"II*\0\x08\0\0\0\x01\0" + b"\x69\x87\x04\0\x01\0\0\0\x08\0\0\0",
        b"rubbish" * 20,
    ],
    ids=["empty", "short", "offset outside", "count outside", "points to itself", "rubbish"],
)
def test_a_bad_exif_block_does_not_hinder(tmp_path: Path, block: bytes) -> None:
    data = make.with_segments(make.jpeg(SCENE), make.segment(0xE1, b"Exif\0\0" + block))
    photo = opened(tmp_path, data)
    assert photo.size_px == (48, 32)
    assert photo.taken.iso is None


@pytest.mark.parametrize(
    "extra",
    [
        make.segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0<x hdrgm:Version='1.0'/>"),
        make.segment(0xE2, b"urn:iso:std:iso:ts:21496:-1\0\0\0\0\0"),
    ],
    ids=["xmp", "iso"],
)
def test_a_gain_map_is_left_aside_and_said(tmp_path: Path, extra: bytes) -> None:
    base = make.jpeg(SCENE)
    second = make.jpeg(make.picture(16, 8))
    mpf = make.segment(0xE2, b"MPF\0II*\0\x08\0\0\0\0\0")
    photo = opened(tmp_path, make.with_segments(base, extra, mpf) + second)
    assert "gain_map" in photo.flags
    assert np.array_equal(photo.encoded, opened(tmp_path, base).encoded)


def test_two_pictures_without_a_gain_map_are_nothing_to_mention(tmp_path: Path) -> None:
    mpf = make.segment(0xE2, b"MPF\0II*\0\x08\0\0\0\0\0")
    data = make.with_segments(make.jpeg(SCENE), mpf) + make.jpeg(make.picture(16, 8))
    assert "gain_map" not in opened(tmp_path, data).flags


def test_a_black_and_white_photo_in_three_channels_is_flagged(tmp_path: Path) -> None:
    grey = np.repeat(SCENE[..., :1], 3, axis=2)
    assert "no_colour" in opened(tmp_path, make.jpeg(grey)).flags
    assert "no_colour" not in opened(tmp_path, make.jpeg(SCENE)).flags


def test_flags_are_names_of_the_registry(tmp_path: Path) -> None:
    grey = np.repeat(SCENE[..., :1], 3, axis=2)
    flags = opened(tmp_path, make.jpeg(grey)).flags
    assert flags
    assert set(flags) <= set(FLAGS)


# ---------------------------------------------------------------- damage


def damaged_jpeg() -> bytes:
    """A JPEG whose picture data ends half way, though the file's end is in its place."""
    data = make.jpeg(make.picture(320, 200))
    return data[: len(data) // 2] + b"\xff\xd9"


def test_what_the_decoder_only_warns_of_is_flagged_as_damage(tmp_path: Path) -> None:
    data = damaged_jpeg()
    # Outside: Pillow hands the same file over without a word.
    Image.open(io.BytesIO(data)).load()
    photo = opened(tmp_path, data)
    assert "damaged" in photo.flags
    assert FLAGS["damaged"].blocks


def test_a_stray_marker_in_the_picture_data_is_damage(tmp_path: Path) -> None:
    data = make.jpeg(make.picture(320, 200))
    at = len(data) * 2 // 3
    assert "damaged" in opened(tmp_path, data[:at] + b"\xff\xd3\x11\x22" + data[at:]).flags


def test_a_damaged_photo_opens_the_same_twice(tmp_path: Path) -> None:
    data = damaged_jpeg()
    first, second = opened(tmp_path, data), opened(tmp_path, data)
    assert np.array_equal(first.encoded, second.encoded)


def test_a_sound_photo_is_not_flagged_as_damaged(tmp_path: Path) -> None:
    for data in (make.jpeg(SCENE), make.jpeg(SCENE, progressive=True)):
        assert "damaged" not in opened(tmp_path, data).flags
        assert "damaged" not in opened(tmp_path, data + b"maker's own bytes").flags


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95, 0.999])
@pytest.mark.parametrize("kind", ["jpeg", "progressive", "png", "tiff", "deflate", "tiff16"])
def test_a_file_cut_short_is_refused(tmp_path: Path, kind: str, share: float) -> None:
    big = make.picture(320, 200)
    data = {
        "jpeg": lambda: make.jpeg(big),
        "progressive": lambda: make.jpeg(big, progressive=True),
        "png": lambda: make.png(big),
        "tiff": lambda: make.tiff(big),
        "deflate": lambda: make.tiff(big, compression="zlib"),
        "tiff16": lambda: make.tiff(big.astype(np.uint16) * 257),
    }[kind]()
    text = refused(tmp_path, data[: int(len(data) * share)])
    assert "copy it from the camera again" in text


@pytest.mark.parametrize("kind", ["png", "png16", "deflate", "deflate16"])
def test_a_single_wrong_bit_is_refused_where_the_format_can_tell(tmp_path: Path, kind: str) -> None:
    wide = SCENE.astype(np.uint16) * 257
    data = bytearray(
        {
            "png": lambda: make.png(SCENE),
            "png16": lambda: make.png(wide),
            "deflate": lambda: make.tiff(SCENE, compression="zlib"),
            "deflate16": lambda: make.tiff(wide, compression="zlib"),
        }[kind]()
    )
    data[len(data) * 2 // 3] ^= 0x04
    assert "damaged" in refused(tmp_path, bytes(data))


# ---------------------------------------------------------------- files that are no use


def saved(mode: str, kind: str, **options: str) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(SCENE).convert(mode).save(stream, kind, **options)
    return stream.getvalue()


def animated(kind: str) -> bytes:
    frames = [Image.fromarray(make.picture(seed=seed)) for seed in (1, 2)]
    stream = io.BytesIO()
    frames[0].save(stream, kind, save_all=True, append_images=frames[1:])
    return stream.getvalue()


SEE_THROUGH = np.dstack([SCENE, np.full(SCENE.shape[:2], 254, np.uint8)])

USELESS = {
    "empty file": (b"", "empty"),
    "text": (b"Not a photo at all.\n" * 9, "not a photo file"),
    "two bytes": (b"\xff\xd8", "cut short"),
    "grey jpeg": (saved("L", "JPEG"), "black-and-white"),
    "grey png": (saved("L", "PNG"), "black-and-white"),
    "grey png with alpha": (saved("LA", "PNG"), "black-and-white"),
    "black-white png": (saved("1", "PNG"), "black-and-white"),
    "grey tiff": (saved("L", "TIFF"), "black-and-white"),
    "cmyk jpeg": (saved("CMYK", "JPEG"), "CMYK"),
    "cmyk tiff": (saved("CMYK", "TIFF"), "CMYK"),
    "lab tiff": (saved("LAB", "TIFF"), "not red, green and blue"),
    "float tiff": (make.tiff(SCENE.astype(np.float32)), "8- or 16-bit"),
    "jpeg in tiff": (saved("RGB", "TIFF", compression="jpeg"), "rare way"),
    "big tiff": (make.tiff(SCENE, bigtiff=True), "BigTIFF"),
    "two-page tiff": (make.tiff(np.stack([SCENE, SCENE])), "more than one picture"),
    "animated png": (animated("PNG"), "animated"),
    "animated gif": (animated("GIF"), "GIF"),
    "webp": (saved("RGB", "WEBP"), "WebP"),
    "heic of nothing": (b"\0\0\0\x18ftypheic" + bytes(40), "not a photo"),
    "see-through png": (make.png(SEE_THROUGH), "transparent"),
    "see-through tiff": (make.tiff(SEE_THROUGH, extrasamples=["unassalpha"]), "transparent"),
    "colour-keyed png": (
        make.png(SCENE, extra=make.chunk(b"tRNS", struct.pack(">3H", *map(int, SCENE[3, 3])))),
        "transparent",
    ),
    "no rows": (make.png(SCENE, size=(48, 0)), "no pixels"),
    "no columns": (make.png(SCENE, size=(0, 32)), "no pixels"),
    "raw camera file": (make.tiff(SCENE, extratags=[(50706, "B", 4, b"\1\4\0\0", True)]), "raw"),
    "HDR png": (make.png(SCENE, extra=make.chunk(b"cICP", bytes([9, 16, 0, 1]))), "HDR"),
    "picture data missing": (
        make.png(SCENE).replace(b"IDAT", b"prIv"),
        "damaged",
    ),
}


@pytest.mark.parametrize("case", USELESS)
def test_a_useless_file_is_one_line_that_says_why(tmp_path: Path, case: str) -> None:
    data, says = USELESS[case]
    assert says in refused(tmp_path, data, f"{case}.jpg")


@pytest.mark.parametrize(
    "data",
    [
        make.png(SCENE, size=(40_000, 40_000)),
        make.jpeg(SCENE).replace(struct.pack(">HH", 32, 48), struct.pack(">HH", 60_000, 60_000)),
    ],
    ids=["png", "jpeg"],
)
def test_an_absurdly_large_picture_is_refused_by_its_header(tmp_path: Path, data: bytes) -> None:
    assert "120 million" in refused(tmp_path, data)


def test_the_limit_of_pixels_is_exact(tmp_path: Path) -> None:
    data = make.png(SCENE)
    assert opened(tmp_path, data, max_pixels=48 * 32).size_px == (48, 32)
    assert "pixels are more than" in refused(tmp_path, data, max_pixels=48 * 32 - 1)
    assert MAX_PIXELS == 120_000_000


def test_a_jpeg_with_wrong_size_in_its_header_is_no_photo(tmp_path: Path) -> None:
    data = make.jpeg(SCENE).replace(struct.pack(">HH", 32, 48), struct.pack(">HH", 0, 48))
    assert "no pixels" in refused(tmp_path, data)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match=r"nothing here\.jpg: no such file; .*name"):
        open_photo(tmp_path / "nothing here.jpg")


def test_a_folder_is_not_a_photo(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="a folder, not a photo"):
        open_photo(tmp_path)


def test_a_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    with pytest.raises(PhotoError, match="not an ordinary file"):
        open_photo(tmp_path / "pipe.jpg")


def test_an_impossible_name_is_an_error_of_the_family() -> None:
    for name in ("a\0b.jpg", "x" * 5000 + ".jpg"):
        with pytest.raises(PhotoError):
            open_photo(name)


@pytest.mark.parametrize(
    ("cause", "says"),
    [(PermissionError(13, "Permission denied"), "may not be read"), (OSError(5, "I/O"), "I/O")],
)
def test_an_unreadable_file_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cause: OSError, says: str
) -> None:
    def fail(_: Path) -> bytes:
        raise cause

    path = tmp_path / "locked.jpg"
    path.write_bytes(make.jpeg(SCENE))
    monkeypatch.setattr(Path, "read_bytes", fail)
    with pytest.raises(PhotoError, match=rf"locked\.jpg: .*{says}"):
        open_photo(path)
