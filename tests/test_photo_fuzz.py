"""Whatever bytes stand in a file: a photo or a `PhotoError`, never anything else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import photo_files as make
import pytest
import raw_files as raw
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from photo_mutations import mutated
from test_photo_heif import avif, heic, heic10

from fullhide.errors import PhotoError
from fullhide.photo import open_photo
from fullhide.quality import FLAGS

SMALL = make.picture(24, 16)
WIDE = SMALL.astype(np.uint16) * 257
PROFILE = make.matrix_profile(
    np.array([[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7139]]),
    make.gamma_tag(2.2),
)

SOUND = {
    "jpeg": make.jpeg(SMALL, icc_profile=PROFILE, exif=b"Exif\0\0II*\0\x08\0\0\0\0\0\0\0\0\0"),
    "progressive": make.jpeg(SMALL, progressive=True),
    "png": make.png(SMALL, extra=make.icc_chunk(PROFILE)),
    "png16": make.png(WIDE),
    "tiff": make.tiff(SMALL, iccprofile=PROFILE),
    "tiff16": make.tiff(WIDE, compression="zlib"),
    "heic": heic(SMALL, exif=make.TURNED),
    "heic10": heic10(WIDE),
    "avif": avif(SMALL, exif=make.TURNED, icc_profile=PROFILE),
    "dng": raw.dng(make.picture(48, 32) / 255.0),
    "linear-dng": raw.dng(
        make.picture(48, 32) / 255.0,
        linear=True,
        extra=(
            raw.opcodes(
                raw.gain_map(np.full((3, 4, 3), 1.2), site=None, size=(48, 32), planes=3),
                raw.vignette(0.2, 0.1, 0.0, 0.0, 0.0),
            ),
        ),
    ),
}
#: Where in a file the mangling aims besides anywhere: a picture's header.
HEADERS = {"heic": 900, "heic10": 900, "avif": 900, "dng": 800, "linear-dng": 800}

FUZZ = settings(
    max_examples=120,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def opens_or_says_why(folder: Path, data: bytes) -> None:
    path = folder / "some photo.bin"
    path.write_bytes(data)
    problem = None
    try:
        # Small, so that a mangled size does not take gigabytes of memory.
        photo = open_photo(path, max_pixels=200_000)
    except PhotoError as error:
        problem = error
    if problem is not None:
        assert str(problem).startswith(str(path))
        assert "\n" not in str(problem)
        assert problem.remedy
        return
    width, height = photo.size_px
    assert photo.encoded.shape == (height, width, 3)
    assert photo.encoded.dtype in (np.uint8, np.uint16)
    assert set(photo.flags) <= set(FLAGS)
    assert np.isfinite(photo.linear()).all()
    assert photo.clipped().shape == (height, width)


@FUZZ
@given(data=st.binary(max_size=400))
def test_random_bytes(tmp_path: Path, data: bytes) -> None:
    opens_or_says_why(tmp_path, data)


@FUZZ
@given(
    start=st.sampled_from(
        [
            b"\xff\xd8\xff",
            b"\x89PNG\r\n\x1a\n",
            b"II*\0\x08\0\0\0",
            b"MM\0*\0\0\0\x08",
            b"\0\0\0\x10ftypheic\0\0\0\0\0\0\0\x80meta\0\0\0\0",
            b"\0\0\0\x10ftypavif\0\0\0\0\0\0\0\x80meta\0\0\0\0",
            b"\0\0\0\x10ftypcrx \0\0\0\0",
            b"FUJIFILMCCD-RAW 0201",
            b"IIU\0\x18\0\0\0",
            b"FOVb",
        ]
    ),
    data=st.binary(max_size=400),
)
def test_random_bytes_behind_a_photos_signature(tmp_path: Path, start: bytes, data: bytes) -> None:
    opens_or_says_why(tmp_path, start + data)


@pytest.mark.parametrize("kind", SOUND)
@FUZZ
@given(data=st.data())
def test_mangled_photos(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    sound = SOUND[kind]
    mangled = bytearray(sound)
    for _ in range(data.draw(st.integers(0, 5))):
        # Headers are the richer half: aim at them as often as at the rest.
        limit = data.draw(
            st.sampled_from([len(sound) - 1, min(HEADERS.get(kind, 600), len(sound) - 1)])
        )
        at = data.draw(st.integers(0, limit))
        new = data.draw(st.binary(min_size=1, max_size=4))
        mangled[at : at + len(new)] = new
    length = data.draw(st.one_of(st.none(), st.integers(0, len(sound))))
    opens_or_says_why(tmp_path, bytes(mangled[:length]))


@pytest.mark.parametrize("kind", SOUND)
def test_the_sound_files_of_this_test_do_open(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "sound"
    path.write_bytes(SOUND[kind])
    wanted = {"heic": (16, 24), "avif": (16, 24), "dng": (48, 32), "linear-dng": (48, 32)}
    assert open_photo(path).size_px == wanted.get(kind, (24, 16))


#: Seeds whose files once did what none should (none so far; `bench/fuzz_photos.py` looks for
#: them), by kind of file. The first few seeds are tried for every kind.
KEPT: dict[str, tuple[int, ...]] = {}


@pytest.mark.parametrize("kind", SOUND)
def test_kept_seeds(tmp_path: Path, kind: str) -> None:
    for seed in (*range(40), *KEPT.get(kind, ())):
        opens_or_says_why(tmp_path, mutated(SOUND[kind], seed))
