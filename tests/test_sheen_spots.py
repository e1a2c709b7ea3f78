"""Places of another sheen within a panel: truth is our own phantoms' gloss, and made maps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from staged import CHART_MM, scene

from fullhide import wording
from fullhide._overlay_legend import finding_words
from fullhide.checks.sheen_places import places_of
from fullhide.checks.sheen_spots import sheen_spots
from fullhide.checks.sheen_words import sheen_spot_reason
from fullhide.engine import inspect_photo
from fullhide.errors import FullhideError
from fullhide.job import ChartSettings, Colour, Job, Limits, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.phantom import Camera, Lamp, Leather, Light, Scene, Sheen, Spot, render, save_photo
from fullhide.report.words import do_words, spot_words
from fullhide.result import RegionResult
from fullhide.shine_map import ShineMap

ASKED = Limits(sheen=1.7)
#: One lamp low enough that coarse grain glints, a dark dye, a calm camera.
GLINTING = scene(
    finish=(34.0, 24.0, 18.0),
    light=Light(lamps=(Lamp(azimuth_deg=90.0, elevation_deg=60.0),), falloff=0.0),
    camera=Camera(noise=0.5),
    leather=Leather(grain="coarse", roughness=0.3, curvature_mm=4.0),
)
BOX = (30.0, 30.0, 870.0, 450.0)
PLACE = (70.0, 36.0)  # mm


def judged(
    what: Scene,
    folder: Path,
    *,
    limits: Limits = ASKED,
    part: str = "seat",
    also: Scene | None = None,
    scaled: bool = True,
) -> tuple[RegionResult, NDArray[np.uint16]]:
    """The panel, with old green named beneath."""
    save_photo(render(what), folder / "p.png")
    x0, y0, x1, y1 = BOX
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    outline = RegionOutline(photo="p.png", name="x", kind="panel", polygon=corners, properties={})
    if also is not None:
        save_photo(render(also), folder / "q.png")
    entry = PhotoEntry(file="p.png", part=part, also=("q.png",) if also is not None else ())
    job = Job(
        name="x",
        folder=folder,
        under=(Colour("old green", (38.0, -28.0, 9.0)),),
        limits=limits,
        chart=ChartSettings(width_mm=CHART_MM if scaled else None),
        photos=(entry,),
        outlines=(outline,),
        outlined=frozenset({"p.png"}),
    )
    done = inspect_photo(job, entry)
    return done.result.regions[0], done.artifacts.label_map


def patched(times: float, **changes: float) -> Scene:
    """A place 22 mm across with its own gloss; the rest has 1."""
    return replace(GLINTING, sheens=(Sheen(PLACE, (22.0, 22.0), times, 0.3, "round", **changes),))


def test_a_place_with_three_times_the_gloss_is_found_where_it_lies(tmp_path: Path) -> None:
    region, labels = judged(patched(3.0), tmp_path)
    (spot,) = (f for f in region.findings if f.kind == "glossy_spot")
    ys, xs = np.nonzero(labels == spot.id)
    assert np.hypot(xs.mean() * 0.15 - PLACE[0], ys.mean() * 0.15 - PLACE[1]) < 1.5
    assert (spot.area_mm2 or 0.0) == pytest.approx(np.pi * 11.0**2, rel=0.35)
    assert region.verdict == "fail"
    told = next(r for r in region.reasons if "1 place looks glossier" in r)
    assert "re-coat the panel with top coat as its data sheet says" in told
    assert 1.7 <= (region.measures["sheen_spot_at_least"].value or 0.0) <= 3.0


def test_a_place_with_a_tenth_of_the_gloss_is_duller(tmp_path: Path) -> None:
    region, _ = judged(patched(0.1), tmp_path)
    assert [f.kind for f in region.findings] == ["dull_spot"]
    assert 0.1 <= (region.measures["sheen_spot_at_most"].value or 0.0) < 1.0


def test_even_sheen_and_old_colour_showing_are_no_such_place(tmp_path: Path) -> None:
    spots = (Spot("old green", PLACE, 60.0, "round"), Spot("old green", (30.0, 30.0), 200.0))
    region, _ = judged(replace(GLINTING, spots=spots), tmp_path)
    assert "show_through" in {f.kind for f in region.findings}
    assert not {"glossy_spot", "dull_spot"} & {f.kind for f in region.findings}


def test_nobody_asked_and_nothing_is_looked_for(tmp_path: Path) -> None:
    region, _ = judged(patched(3.0), tmp_path, limits=Limits())
    assert not [name for name in region.measures if name.startswith("sheen")]
    assert not [f for f in region.findings if f.kind == "glossy_spot"]


def test_without_a_scale_no_place_is_looked_for(tmp_path: Path) -> None:
    region, _ = judged(patched(3.0), tmp_path, scaled=False)
    assert "sheen_within" not in region.measures
    assert not [f for f in region.findings if f.kind == "glossy_spot"]


def test_a_photo_with_the_lamp_moved_shows_what_the_first_does_not(tmp_path: Path) -> None:
    both, labels = judged(GLINTING, tmp_path, also=replace(patched(3.0), shot=1))
    (spot,) = (f for f in both.findings if f.kind == "glossy_spot")
    ys, xs = np.nonzero(labels == spot.id)
    assert np.hypot(xs.mean() * 0.15 - PLACE[0], ys.mean() * 0.15 - PLACE[1]) < 2.0


def test_where_an_airbag_may_be_no_coat_is_advised(tmp_path: Path) -> None:
    region, _ = judged(patched(3.0), tmp_path, part="steering wheel pad")
    told = next(r for r in region.reasons if "looks glossier" in r)
    assert wording.AIRBAG_REFER in told
    assert not [r for r in region.reasons if "re-coat" in r]


@pytest.mark.parametrize("glossy", [True, False])
def test_a_kept_reason_loses_its_advice_where_an_airbag_may_be(glossy: bool) -> None:
    said = sheen_spot_reason(
        [(2.0 if glossy else 0.5, 300.0)], glossy=glossy, limit=1.7, sure=True, airbag=False
    )
    assert "re-coat" in said
    assert "coat" not in wording.without_work(said)
    kind = "glossy_spot" if glossy else "dull_spot"
    assert "top coat" in do_words(kind, "fail", airbag=False)
    assert "coat" not in do_words(kind, "fail", airbag=True)


def test_overlay_and_report_name_the_place_in_words(tmp_path: Path) -> None:
    region, _ = judged(patched(3.0), tmp_path)
    (spot,) = (f for f in region.findings if f.kind == "glossy_spot")
    assert finding_words(spot).startswith("glossier than around it, ")
    assert spot_words(spot) == "glossier than around it"


def made(
    step: float = 0.02,
    *,
    play: float = 2.0,
    blur: float = 0.0,
    odd: float = 0.0,
    shade: float = 0.0,
    stripes: bool = False,
    coloured: bool = True,
) -> ShineMap:
    """40 by 60 blocks of 2 mm; in the middle a disc 24 mm across with another highlight."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:40, :60].astype(np.float32)
    disc = (np.hypot(x - 30.0, y - 20.0) < 6.0).astype(np.float32)
    if stripes:
        disc *= 4.0 * (x % 4 == 0)
    share = cv2.GaussianBlur(disc, (0, 0), blur) if blur else disc
    level = step * share + rng.normal(0.0, 0.002, disc.shape)
    whole = 1e-4 * (1.0 + (play**2 - 1.0) * share) * rng.uniform(0.9, 1.1, disc.shape)
    return ShineMap(
        level=level.astype(np.float32),
        bright=(0.2 + step * share + 0.2 * shade * share).astype(np.float32),
        odd=(odd * step * share).astype(np.float32),
        least=np.full(disc.shape, 0.1, np.float32),
        whole=whole.astype(np.float32),
        shared=(0.5 * whole).astype(np.float32),
        glint=np.zeros(disc.shape, np.float32),
        noise=(0.0, 0.0, 1.0),
        good=np.ones(disc.shape, bool),
        side_px=4,
        side_mm=2.0,
        coloured=coloured,
        burnt=0.0,
    )


def test_the_ratio_is_at_least_what_all_of_the_darkest_channel_would_make() -> None:
    (place,), _ = places_of(made(), pale=True, k=1.645)
    assert place.glossy
    # 0.02 over a channel of 0.1 that cannot all be highlight: 1.2 times and more.
    assert 1.1 < place.end <= 1.2
    assert place.verdict(1.7) == "retake"
    assert place.verdict(1.1) == "fail"


@pytest.mark.parametrize(
    "changes",
    [
        {"blur": 9.0},  # a lamp's own highlight, which fades
        {"odd": 0.5},  # another colour
        {"shade": 0.3},  # a hollow
        {"stripes": True},  # threads that lie side by side
        {"play": 0.6},  # paler dye
        {"play": 15.0},  # something rough that lies there
        {"coloured": False},
        {"step": 0.001},
    ],
)
def test_what_is_no_other_sheen_is_not_told(changes: dict[str, float]) -> None:
    assert places_of(made(**changes), pale=True, k=1.645)[0] == []  # type: ignore[arg-type]


def test_paler_dye_is_only_ruled_out_where_something_pale_may_show() -> None:
    (place,), _ = places_of(made(play=0.6), pale=False, k=1.645)
    assert not place.sure
    assert place.verdict(1.1) == "retake"


def test_a_photo_that_would_have_shown_a_place_says_so_and_no_other_does() -> None:
    shape = (160, 240)
    calm = made(0.0, play=1.0)
    calm = replace(calm, level=np.float32(0.1) * calm.level)
    even = sheen_spots([calm], shape=shape, pale=True, limits=ASKED, airbag=False)
    assert even.verdict == "pass"
    assert (even.measures["sheen_within"].value or 9.0) <= 1.7
    for one in (made(0.0, play=1.0), replace(calm, noise=(1.0, 0.0, 1.0)), made(coloured=False)):
        found = sheen_spots([one], shape=shape, pale=True, limits=ASKED, airbag=False)
        assert found.verdict is None
        assert "not known" in found.reasons[0]


def test_photos_of_one_view_are_brought_together() -> None:
    shape, open_one = (160, 240), made()
    flipped = replace(open_one, level=-open_one.level, whole=made(play=0.5).whole)
    flipped = replace(flipped, bright=np.float32(0.4) - flipped.bright)
    two = sheen_spots([open_one, flipped], shape=shape, pale=True, limits=ASKED, airbag=False)
    assert [spot.kind for spot in two.spots] == ["glossy_spot"]
    assert two.verdict == "retake"  # glossier in one light, duller in the other
    alone = made(coloured=False)
    settled = sheen_spots([alone, open_one], shape=shape, pale=True, limits=ASKED, airbag=False)
    assert len(settled.spots) == 1
    assert settled.labels is not None
    assert settled.labels.shape == shape


def test_a_rendered_place_of_other_sheen_has_its_truth_and_a_soft_rim() -> None:
    small = replace(
        patched(3.0, softness_mm=4.0), size_px=(600, 480), chart=None, panel_px=(), mm_per_px=0.15
    )
    lobe = render(small).truth.lobe
    assert lobe is not None
    y, x = round(PLACE[1] / 0.15), round(PLACE[0] / 0.15)
    assert lobe[y, x] == pytest.approx(3.0)
    rim = lobe[y, x - round(9.0 / 0.15)]  # 2 of 4 mm within the rim
    assert rim == pytest.approx(2.0, abs=0.1)
    assert lobe[y, 10] == 1.0
    assert render(replace(small, sheens=())).truth.lobe is None
    with pytest.raises(FullhideError, match="softness_mm"):
        render(patched(3.0, softness_mm=-1.0))
