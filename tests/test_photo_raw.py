"""Raw camera files: the sensor's light comes out as it went in."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import photo_files as make
import pytest
import raw_files as raw
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from fullhide import _icc
from fullhide.errors import PhotoError
from fullhide.photo import Photo, open_photo

Array = NDArray[Any]

GAINS = np.array([raw.NEUTRAL[1] / n for n in raw.NEUTRAL])


def opened(folder: Path, data: bytes, name: str = "left bench.dng") -> Photo:
    (folder / name).write_bytes(data)
    return open_photo(folder / name)


def patches() -> Array:
    """(96, 128, 3) sensor light in flat fields of 32 pixels, dark to nearly full."""
    rng = np.random.default_rng(5)
    fields = rng.uniform(0.01, 0.95, (3, 4, 3))
    return np.kron(fields, np.ones((32, 32, 1)))


def middles(values: Array) -> Array:
    """Means of the fields' middles."""
    fields = values.reshape(3, 32, 4, 32, 3)[:, 10:22, :, 10:22]
    return np.asarray(fields.mean(axis=(1, 3)))


@pytest.mark.parametrize("linear", [False, True], ids=["mosaic", "linear"])
def test_light_is_in_proportion_to_the_sensors(tmp_path: Path, linear: bool) -> None:
    light = patches()
    photo = opened(tmp_path, raw.dng(light, linear=linear))
    assert (photo.format, photo.bits, photo.size_px) == ("RAW", 16, (128, 96))
    device = photo.curve[photo.encoded, np.arange(3)]
    # A level of the file is 1/15871; half a 16-bit code of the sRGB curve is far less.
    np.testing.assert_allclose(middles(device), middles(light), atol=1.5 / 15871)


@pytest.mark.parametrize("linear", [False, True], ids=["mosaic", "linear"])
def test_a_neutral_of_the_file_is_neutral(tmp_path: Path, linear: bool) -> None:
    light = np.ones((32, 48, 3)) * 0.4 * np.array(raw.NEUTRAL)
    photo = opened(tmp_path, raw.dng(light, linear=linear))
    seen = photo.linear().reshape(-1, 3).mean(axis=0)
    np.testing.assert_allclose(seen, 0.4, atol=0.001)
    assert photo.white_balance == pytest.approx(tuple(GAINS), rel=1e-4)


def test_colours_follow_the_files_matrix(tmp_path: Path) -> None:
    # Outside reference: DNG 1.4, chapter 6, with the one illuminant D65: XYZ by the inverse
    # matrix of what the camera saw, its neutral brought to D65's.
    light = patches()
    photo = opened(tmp_path, raw.dng(light, linear=True))
    d65 = np.array([0.95046, 1.0, 1.08906])  # CIE 15, 2 degree
    to_camera = raw.XYZ_TO_CAMERA / (raw.XYZ_TO_CAMERA @ d65)[:, None]
    xyz = (middles(light) * GAINS) @ np.linalg.inv(to_camera).T
    # ITU-R BT.2020-2: linear RGB of XYZ under D65.
    to_2020 = np.linalg.inv(
        np.array(
            [
                [0.636958, 0.144617, 0.168881],
                [0.262700, 0.677998, 0.059302],
                [0.0, 0.028073, 1.060985],
            ]
        )
    )
    np.testing.assert_allclose(middles(photo.linear()), xyz @ to_2020.T, atol=0.004)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("linear", [False, True], ids=["mosaic", "linear"])
def test_every_orientation_comes_out_upright(
    tmp_path: Path, orientation: int, linear: bool
) -> None:
    light = np.kron(np.random.default_rng(3).uniform(0.1, 0.9, (3, 4, 3)), np.ones((16, 16, 1)))
    photo = opened(tmp_path, raw.dng(light, linear=linear, orientation=orientation))
    # Outside reference: TIFF 6.0, tag 274, written out with NumPy.
    upright = {
        1: light,
        2: light[:, ::-1],
        3: light[::-1, ::-1],
        4: light[::-1],
        5: light.transpose(1, 0, 2),
        6: np.rot90(light, -1),
        7: light[::-1, ::-1].transpose(1, 0, 2),
        8: np.rot90(light, 1),
    }[orientation]
    device = photo.curve[photo.encoded, np.arange(3)]
    np.testing.assert_allclose(device[8::16, 8::16], upright[8::16, 8::16], atol=0.01)


@pytest.mark.parametrize("channel", range(3))
@pytest.mark.parametrize("linear", [False, True], ids=["mosaic", "linear"])
def test_each_channel_is_clipped_at_the_sensors_own_ceiling(
    tmp_path: Path, channel: int, linear: bool
) -> None:
    light = np.full((64, 64, 3), 0.3)
    light[16:48, 16:48, channel] = 1.0
    photo = opened(tmp_path, raw.dng(light, linear=linear))
    clipped = photo.clipped()
    assert clipped[20:44, 20:44].all()
    assert not clipped[:12].any()


def test_white_balance_alters_no_code(tmp_path: Path) -> None:
    light = patches()
    one = opened(tmp_path, raw.dng(light, neutral=(0.5, 1.0, 0.7)))
    other = opened(tmp_path, raw.dng(light, neutral=(0.9, 1.0, 0.4)))
    # The mosaic is interpolated with the balance's help, so that edges may differ, fields not.
    np.testing.assert_allclose(middles(one.encoded), middles(other.encoded), atol=4)
    assert one.white_balance != other.white_balance


def test_a_raw_file_that_names_no_camera_matrix_is_said(tmp_path: Path) -> None:
    assert opened(tmp_path, raw.dng(patches())).flags == ()
    bare = opened(tmp_path, raw.dng(patches(), matrix=None))
    assert "profile_approximate" in bare.flags


@pytest.mark.parametrize("neutral", [None, (0.0, 1.0, 0.7), (1.0, 1000.0, 0.7)])
def test_a_raw_file_without_sense_in_its_balance_is_said(
    tmp_path: Path, neutral: tuple[float, ...] | None
) -> None:
    photo = opened(tmp_path, raw.dng(patches(), neutral=neutral))
    assert "profile_approximate" in photo.flags
    assert np.isfinite(photo.linear()).all()


def test_only_raw_files_carry_a_white_balance(tmp_path: Path) -> None:
    assert opened(tmp_path, make.png(make.picture())).white_balance is None


def test_without_the_extra_the_line_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(PhotoError, match=r"left bench\.dng: a raw camera file.*fullhide\[raw\]"):
        opened(tmp_path, raw.dng(patches()))


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95, 0.999])
@pytest.mark.parametrize("linear", [False, True], ids=["mosaic", "linear"])
def test_a_raw_file_cut_short_is_refused_in_silence(
    tmp_path: Path, share: float, linear: bool, capfd: pytest.CaptureFixture[str]
) -> None:
    data = raw.dng(patches(), linear=linear)
    with pytest.raises(PhotoError, match=r"damaged|not read|cut short"):
        opened(tmp_path, data[: int(len(data) * share)])
    assert capfd.readouterr() == ("", "")


def test_a_raw_file_of_an_unknown_kind_is_one_line(tmp_path: Path) -> None:
    for head in (b"IIU\0", b"FUJIFILMCCD-RAW ", b"\0\0\0\x18ftypcrx ", b"II*\0\x10\0\0\0CR\2\0"):
        with pytest.raises(PhotoError, match="raw camera file") as caught:
            opened(tmp_path, head + bytes(200))
        assert "\n" not in str(caught.value)


def test_a_black_and_white_sensor_is_refused(tmp_path: Path) -> None:
    # A mosaic of one colour: LibRaw counts the colours of the pattern.
    data = raw.dng(patches(), matrix=np.ones((1, 3)), neutral=None, colours=((0, 0), (0, 0)))
    with pytest.raises(PhotoError, match="raw"):
        opened(tmp_path, data)


def test_the_curve_is_the_inverse_of_srgbs(tmp_path: Path) -> None:
    photo = opened(tmp_path, raw.dng(patches()))
    np.testing.assert_allclose(photo.curve[:, 0], _icc.srgb_curve(_icc.codes(65536)), atol=1e-7)


# ---------------------------------------------------------------- what a lens lost (DNG 1.4, 7)


def rim_gains(high: int = 13, wide: int = 17) -> Array:
    """Gains of 1 in the middle and up to 2.2 in the corners, a little different by channel."""
    y, x = np.meshgrid(np.linspace(-1, 1, high), np.linspace(-1, 1, wide), indexing="ij")
    return np.stack([1 + k * (x**2 + y**2) for k in (0.6, 0.5, 0.4)], axis=-1)


def spread(gains: Array, size: tuple[int, int]) -> Array:
    """Gains at the pixels' middles. Outside reference: SciPy's linear interpolation."""
    high, wide = gains.shape[:2]
    points = (np.linspace(0, 1, high), np.linspace(0, 1, wide))
    at = np.meshgrid(
        (np.arange(size[1]) + 0.5) / size[1], (np.arange(size[0]) + 0.5) / size[0], indexing="ij"
    )
    return np.asarray(RegularGridInterpolator(points, gains)(np.stack(at, axis=-1)))


@pytest.mark.parametrize("linear", [False, True], ids=["mosaic", "linear"])
def test_the_lens_fall_off_that_a_dng_tells_is_taken_out(tmp_path: Path, linear: bool) -> None:
    size = (128, 96)
    gains = rim_gains()
    scene = np.full((96, 128, 3), 0.4)
    lost = scene / spread(gains, size)
    if linear:
        maps = [raw.gain_map(gains, site=None, size=size, planes=3)]
    else:
        maps = [
            raw.gain_map(gains[..., colour : colour + 1], site=(row, column), size=size)
            for row, colours in enumerate(raw.MOSAIC)
            for column, colour in enumerate(colours)
        ]
    photo = opened(tmp_path, raw.dng(lost, linear=linear, extra=(raw.opcodes(*maps),)))
    device = photo.curve[photo.encoded, np.arange(3)]
    # A level of the file and its gain; a mosaic's interpolation at the very rim.
    inner = device[2:-2, 2:-2]
    np.testing.assert_allclose(inner, scene[2:-2, 2:-2], atol=0.002 if linear else 0.006)
    plain = opened(tmp_path, raw.dng(lost, linear=linear))
    assert plain.curve[plain.encoded[0, 0, 0], 0] < 0.25


def test_a_radial_fall_off_is_taken_out(tmp_path: Path) -> None:
    y, x = np.meshgrid((np.arange(96) - 47.5) / 48, (np.arange(128) - 63.5) / 64, indexing="ij")
    square = ((x * 64) ** 2 + (y * 48) ** 2) / (64**2 + 48**2)
    lost = 0.4 / (1 + 0.5 * square + 0.3 * square**2)
    light = np.repeat(lost[..., None], 3, axis=2) * np.array([1.0, 0.9, 0.8])
    extra = (raw.opcodes(raw.vignette(0.5, 0.3, 0, 0, 0)),)
    photo = opened(tmp_path, raw.dng(light, linear=True, extra=extra))
    device = photo.curve[photo.encoded, np.arange(3)]
    np.testing.assert_allclose(device, np.broadcast_to([0.4, 0.36, 0.32], device.shape), atol=2e-3)


def test_a_full_sensor_stays_clipped_whatever_the_gain(tmp_path: Path) -> None:
    light = np.full((96, 128, 3), 0.3)
    light[40:56, 56:72] = 1.0
    shrinking = raw.gain_map(np.full((3, 3, 3), 0.5), site=None, size=(128, 96), planes=3)
    photo = opened(tmp_path, raw.dng(light, linear=True, extra=(raw.opcodes(shrinking),)))
    assert photo.clipped()[42:54, 58:70].all()
    assert not photo.clipped()[:30].any()


@pytest.mark.parametrize(
    "bad",
    [
        raw.opcodes((9, b"short")),
        raw.opcodes(raw.gain_map(np.full((3, 3, 1), np.nan), site=None, size=(128, 96))),
        raw.opcodes(raw.gain_map(np.full((3, 3, 1), 1e9), site=None, size=(128, 96))),
        raw.opcodes(raw.vignette(np.inf, 0, 0, 0, 0)),
        raw.opcodes(raw.vignette(-1.0, 0, 0, 0, 0)),
        raw.opcodes((1, bytes(200))),
        (51009, "B", 6, b"\xff\xff\xff\xff\0\0", True),
    ],
)
def test_a_fall_off_of_no_sense_is_left_alone(tmp_path: Path, bad: Any) -> None:
    light = patches()
    photo = opened(tmp_path, raw.dng(light, extra=(bad,)))
    assert np.array_equal(photo.encoded, opened(tmp_path, raw.dng(light)).encoded)
