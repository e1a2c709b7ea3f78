"""Steps of a JPEG's colours: read from the file, and heeded where a surface is calmer than they."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy.fft import idctn
from scipy.ndimage import gaussian_filter

from fullhide._coding import jpeg_coding
from fullhide.checks.filter import significance, threshold
from fullhide.checks.levels import Level, levels
from fullhide.colour import lab_to_xyz
from fullhide.region import Patch
from fullhide.surface import colour_pair

# Different in every place, so that a transposed or shifted table shows.
LUMA = [2 + i for i in range(64)]
COLOUR = [70 + i for i in range(64)]


def jpeg(subsampling: int, **more) -> bytes:
    target = io.BytesIO()
    image = Image.new("RGB", (32, 32), (150, 110, 70))
    image.save(target, "JPEG", subsampling=subsampling, qtables=[LUMA, COLOUR], **more)
    return target.getvalue()


def test_each_channel_has_the_steps_of_its_own_table() -> None:
    steps = jpeg_coding(jpeg(2))
    # Pillow's own reading of the file, natural order: the mean, across, down, both.
    tables = Image.open(io.BytesIO(jpeg(2))).quantization
    assert len(steps) == 12
    for channel, table in enumerate((tables[0], tables[1], tables[1])):
        for step, place in zip(steps[4 * channel : 4 * channel + 4], (0, 1, 8, 9), strict=True):
            # SciPy's inverse transform of one step of that coefficient.
            unit = np.zeros((8, 8))
            unit.flat[place] = table[place]
            block = idctn(unit, norm="ortho")
            high = float(block[block > 0].mean())
            # RGB of one level, ITU-T T.871, 7: Y moves red, Cb blue, Cr red.
            told = (step.rgb[0], step.rgb[2] / 1.772, step.rgb[0] / 1.402)[channel]
            # Own tolerance: the mean of eight samples of a cosine for that of the curve.
            assert told == pytest.approx(high, rel=0.03)


@pytest.mark.parametrize(("subsampling", "times"), [(0, 1), (1, 2), (2, 4)])
def test_colour_is_coded_over_as_many_pixels_as_its_subsampling(
    subsampling: int, times: int
) -> None:
    steps = jpeg_coding(jpeg(subsampling))
    # ITU-T T.81, A.1.1: blocks of 8 x 8 samples; Pillow's 0, 1, 2 are 4:4:4, 4:2:2, 4:2:0.
    assert steps[0].area_px == 64
    assert steps[4].area_px == steps[8].area_px == 64 * times


def test_a_progressive_jpeg_says_the_same() -> None:
    assert jpeg_coding(jpeg(2, progressive=True)) == jpeg_coding(jpeg(2))


def test_the_covariance_of_steps_is_that_of_blocks_rounded_each_for_itself() -> None:
    rng, side, scale = np.random.default_rng(11), 16, 0.13
    # A block's rounding is uniform over a step; SciPy smooths it as the levels are smoothed.
    blocks = np.kron(rng.uniform(-0.5, 0.5, (110, 110)), np.ones((side, side)))
    flat = np.zeros((300, 300, 3), np.float32)
    change = np.array([1.0, 0.5, -0.5])
    bare, stepped = (
        levels(
            flat,
            np.ones((300, 300), np.float32),
            np.ones((300, 300), bool),
            mm_per_px=scale,
            limit_mm2=1.0,
            seam=False,
            coding=coding,
        )
        for coding in ((), (Patch(change, (side * scale) ** 2),))
    )
    added = np.asarray(stepped[0].joint) - np.asarray(bare[0].joint)
    smooth = [gaussian_filter(blocks, level.sigma_px * level.step) for level in stepped]
    inner = (slice(100, -100), slice(100, -100))
    seen = np.cov([s[inner].ravel() for s in smooth])
    # Own tolerance: 10 %; some nine thousand blocks, few of the widest Gaussians.
    np.testing.assert_allclose(added, np.kron(seen, np.outer(change, change)), rtol=0.1, atol=1e-4)


def test_a_block_one_step_off_is_no_spot_where_the_step_is_known() -> None:
    finish, under = lab_to_xyz((72.0, 3.0, 18.0)), lab_to_xyz((34.0, -16.0, -14.0))
    pair = colour_pair("old petrol", finish, under, limit_delta_e=3.0)
    change = 0.2 * pair.contrast
    ratio = np.random.default_rng(5).normal(0, 0.01, (240, 320, 3)).astype(np.float32)
    ratio[112:128, 144:160] += change.astype(np.float32)
    patch = Patch(change, (16 * 0.13) ** 2)

    def height(*coding: Patch) -> tuple[float, float]:
        level = _finest(ratio, coding)
        t, _ = significance(level, pair)
        return float(t[116:124, 148:156].max()), threshold(level, t)

    high, limit = height()
    assert high > limit
    high, limit = height(patch)
    assert high < limit


def _finest(ratio: NDArray[np.float32], coding: tuple[Patch, ...]) -> Level:
    there = np.ones(ratio.shape[:2], bool)
    weight = there.astype(np.float32)
    stack = levels(ratio, weight, there, mm_per_px=0.13, limit_mm2=1.0, seam=False, coding=coding)
    return stack[0]
