"""Outlines: what is accepted, and the one line that says what is not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fullhide.errors import JobError
from fullhide.job import load_job
from fullhide.locate import read_features
from fullhide.outlines import KINDS, RegionOutline, check_outline, read_outlines

PHOTO = "photos/left.jpg"
SQUARE = [[10, 10], [50, 10], [50, 40], [10, 40], [10, 10]]


def feature(
    *, name: Any = "seat", kind: Any = "panel", photo: Any = PHOTO, rings: Any = None, **more: Any
) -> dict[str, Any]:
    properties = {"photo": photo, "name": name, "kind": kind, **more}
    return {
        "type": "Feature",
        "properties": {key: value for key, value in properties.items() if value is not None},
        "geometry": {"type": "Polygon", "coordinates": [SQUARE] if rings is None else rings},
    }


def write(folder: Path, *features: Any) -> Path:
    path = folder / "regions.geojson"
    collection = {"type": "FeatureCollection", "features": list(features)}
    path.write_text(json.dumps(collection, indent=1))
    return path


def one_problem(folder: Path, bad: Any) -> str:
    """Read `bad` between two good features; the good ones must come through."""
    path = write(folder, feature(name="first"), bad, feature(name="last"))
    outlines = read_outlines(path, photos=[PHOTO, "photos/right.jpg"])
    assert [outline.name for outline in outlines.usable] == ["first", "last"]
    (problem,) = outlines.problems
    said = str(problem)
    assert "\n" not in said
    line = read_features(path.read_text())[1][1]
    assert said.startswith(f"{path}, line {line}: feature 2")
    return said


def test_a_region_is_read_as_it_was_drawn(tmp_path: Path) -> None:
    hole = [[20, 20], [30, 20], [30, 30], [20, 20]]
    path = write(tmp_path, feature(rings=[SQUARE, hole], airbag=True))
    (outline,) = read_outlines(path, photos=[PHOTO]).usable
    assert (outline.photo, outline.name, outline.kind) == (PHOTO, "seat", "panel")
    # The first corner is not repeated at the end.
    assert outline.polygon.tolist() == [[10, 10], [50, 10], [50, 40], [10, 40]]
    assert outline.polygon.dtype == np.float64
    assert not outline.polygon.flags.writeable
    assert [ring.tolist() for ring in outline.holes] == [[[20, 20], [30, 20], [30, 30]]]
    assert outline.properties["airbag"] is True
    assert outline.line == 4


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_the_design_is_known(tmp_path: Path, kind: str) -> None:
    (outline,) = read_outlines(write(tmp_path, feature(kind=kind)), photos=[PHOTO]).usable
    assert outline.kind == kind


def test_an_unclosed_outline_heights_and_other_members_are_no_mistake(tmp_path: Path) -> None:
    drawn = feature(rings=[[[1, 2, 99.0], [30, 2, 99.0], [30, 40, 99.0]]])
    path = write(tmp_path, {**drawn, "id": 3, "bbox": [0, 0, 1, 1]})
    (outline,) = read_outlines(path, photos=["./photos/left.jpg"]).usable
    assert outline.polygon.tolist() == [[1, 2], [30, 2], [30, 40]]


def test_places_to_ignore_need_no_names(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        feature(kind="ignore", name=None),
        feature(kind="ignore", name=None),
        feature(kind="chart", name=None),
    )
    outlines = read_outlines(path, photos=[PHOTO])
    assert [outline.name for outline in outlines.usable] == ["ignore", "ignore", "chart"]
    assert outlines.problems == ()


def test_the_same_name_in_two_photos_is_no_mistake(tmp_path: Path) -> None:
    path = write(tmp_path, feature(), feature(photo="photos/right.jpg"))
    outlines = read_outlines(path, photos=[PHOTO, "photos/right.jpg"])
    assert len(outlines.usable) == 2
    assert outlines.photos == {PHOTO, "photos/right.jpg"}


def test_no_file_means_nothing_was_drawn(tmp_path: Path) -> None:
    assert read_outlines(tmp_path / "regions.geojson", photos=[]) == ((), frozenset(), ())
    assert read_outlines(write(tmp_path), photos=[]) == ((), frozenset(), ())


BOW_TIE = [[10, 10], [50, 40], [50, 10], [10, 40], [10, 10]]


@pytest.mark.parametrize(
    ("bad", "expected"),
    [
        (feature(rings=[BOW_TIE]), "crosses or touches itself near x 30, y 25"),
        (feature(rings=[[[5, 5], [5, 5], [5, 5], [5, 5]]]), "fewer than three different points"),
        (feature(rings=[[[5, 5], [9, 9], [5, 5], [9, 9]]]), "fewer than three different points"),
        (feature(rings=[[[0, 0], [5, 5], [9, 9], [0, 0]]]), "no area"),
        (feature(rings=[]), "is empty"),
        (feature(rings=[[]]), "is empty"),
        (feature(rings=[[[1, 1], [2, 2], [1, 1]]]), "has 2 corners"),
        (feature(rings=[SQUARE, [[80, 80], [90, 80], [90, 90]]]), "unusable"),
        (feature(rings=[[[1, 1], [2, "x"], [3, 3]]]), "no pair of numbers"),
        (feature(rings=[[[1, 1], [2], [3, 3]]]), "no pair of numbers"),
        (feature(rings=[[[1, 1], [True, 5], [3, 3]]]), "no pair of numbers"),
        (feature(rings=[[[1, 1], None, [3, 3]]]), "no pair of numbers"),
        (feature(rings=[[1, 1, 2, 2]]), "no pair of numbers"),
        (feature(rings=[7]), "no list of points"),
        (feature(rings=[[[1, 1], [float("nan"), 5], [3, 3]]]), "nowhere in a photo"),
        (feature(rings=[[[1, 1], [float("inf"), 5], [3, 3]]]), "nowhere in a photo"),
        (feature(rings=[[[1, 1], [10**400, 5], [3, 3]]]), "nowhere in a photo"),
        (feature(kind="chart", name="c", rings=[[*SQUARE[:3], SQUARE[0]]]), "chart with 3 corners"),
        (feature(kind="pannel"), "did you mean `panel`?"),
        (feature(kind=None), "has no `kind`"),
        (feature(kind=3), "has no `kind`"),
        (feature(name=None), "has no `name`"),
        (feature(name="  "), "has no `name`"),
        (feature(name="a\u0007b"), "cannot be printed"),
        (feature(name="First"), "has a name that another region of photo"),
        (feature(photo=None), "has no `photo`"),
        (feature(photo="photos/lefty.jpg"), "did you mean `photos/left.jpg`?"),
        ({"type": "Feature", "properties": None, "geometry": None}, "has no `photo`"),
        ({**feature(), "geometry": None}, "has no outline"),
        ({**feature(), "geometry": {"type": "MultiPolygon"}}, "is a MultiPolygon"),
        (None, "has no `photo`"),
        ([], "has no `photo`"),
    ],
)
def test_an_outline_that_cannot_be_used_is_named_and_the_others_stay(
    tmp_path: Path, bad: Any, expected: str
) -> None:
    assert expected in one_problem(tmp_path, bad)


def test_the_region_is_named_in_the_message(tmp_path: Path) -> None:
    assert 'feature 2 ("left bolster")' in one_problem(
        tmp_path, feature(name="left bolster", rings=[BOW_TIE])
    )


def test_a_second_chart_in_a_photo_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path, feature(kind="chart", name="a"), feature(kind="chart", name="b"))
    outlines = read_outlines(path, photos=[PHOTO])
    assert len(outlines.usable) == 1
    assert "second chart" in str(outlines.problems[0])


def test_a_photo_with_a_bad_outline_only_gets_no_proposal(tmp_path: Path) -> None:
    (tmp_path / "left.jpg").write_bytes(b"x")
    (tmp_path / "right.jpg").write_bytes(b"x")
    (tmp_path / "job.toml").write_text(
        'name = "x"\n[[photo]]\nfile = "left.jpg"\n[[photo]]\nfile = "right.jpg"\n'
    )
    write(tmp_path, feature(photo="left.jpg", rings=[BOW_TIE]))
    job = load_job(tmp_path)
    assert (len(job.photos), len(job.problems), job.outlines_of("left.jpg")) == (2, 1, ())
    assert not job.needs_proposal("left.jpg")
    assert job.needs_proposal("right.jpg")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('{"type": "FeatureCollection",\n"features": [}', ", line 2: is not valid JSON"),
        ("", ", line 1: is not valid JSON"),
        ("[]", "is not a GeoJSON FeatureCollection"),
        ('{"type": "Feature", "features": []}', "is not a GeoJSON FeatureCollection"),
        ('{"type": "FeatureCollection"}', "is not a GeoJSON FeatureCollection"),
        ("[" * 100_000, "is not a list of outlines"),
        ('{"a": ' + "1" * 5000 + "}", "is not a list of outlines"),
    ],
)
def test_a_file_that_holds_no_outlines_stops_the_job(
    tmp_path: Path, text: str, expected: str
) -> None:
    path = tmp_path / "regions.geojson"
    path.write_text(text)
    with pytest.raises(JobError) as caught:
        read_outlines(path, photos=[])
    assert expected in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_no_text_stops_the_job(tmp_path: Path) -> None:
    path = tmp_path / "regions.geojson"
    path.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(JobError, match="is not UTF-8"):
        read_outlines(path, photos=[])
    path.unlink()
    path.mkdir()
    with pytest.raises(JobError, match="cannot be read"):
        read_outlines(path, photos=[])


def outline(*points: tuple[float, float]) -> RegionOutline:
    return RegionOutline(
        photo=PHOTO, name="seat", kind="panel", polygon=np.array(points, float), line=7
    )


def test_an_outline_within_the_photo_is_left_alone() -> None:
    inside = outline((0, 0), (100, 0), (100, 50))
    assert check_outline(inside, (100, 50)) is inside


def test_a_hand_that_slips_over_the_edge_is_trimmed_to_it() -> None:
    trimmed = check_outline(outline((-1.5, 0), (101.5, -2), (100, 52)), (100, 50))
    assert trimmed.polygon.tolist() == [[0, 0], [100, 0], [100, 50]]
    assert not trimmed.polygon.flags.writeable


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        ([(10, 10), (103, 10), (50, 40)], "lies partly outside photo"),
        ([(10, -3), (60, 10), (50, 40)], "lies partly outside photo"),
        ([(110, 10), (160, 10), (150, 40)], "lies outside photo"),
        ([(10, -90), (60, -10), (50, -40)], "lies outside photo"),
    ],
)
def test_an_outline_outside_the_photo_is_refused(
    points: list[tuple[float, float]], expected: str
) -> None:
    with pytest.raises(JobError) as caught:
        check_outline(outline(*points), (100, 50))
    said = str(caught.value)
    assert expected in said
    assert said.startswith('regions.geojson, line 7: region "seat"')
    assert "100 x 50" in said


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text('{}[],:"\\ \n', max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text("ab{", max_size=3), inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None)
@given(st.lists(JSON, max_size=4), st.sampled_from([None, 1]), JSON)
def test_each_feature_gets_the_line_it_starts_on(
    features: list[Any], indent: int | None, other: Any
) -> None:
    text = json.dumps({"a": other, "features": features, "z": other}, indent=indent)
    read, lines = read_features(text)
    assert read == json.loads(text)
    assert len(lines) == len(features)
    for line, item in zip(lines, features, strict=True):
        # json itself is the judge: what starts on that line is this very element.
        rest = "\n".join(text.split("\n")[line - 1 :])
        if indent:
            assert json.JSONDecoder().raw_decode(rest.lstrip())[0] == item
        else:
            assert line == 1


@settings(max_examples=300, deadline=None)
@given(JSON, st.lists(st.tuples(st.floats(0, 1), st.sampled_from('{}[],:"x1 \n')), max_size=3))
def test_what_json_refuses_is_refused_and_all_else_is_read_the_same(
    features: Any, changes: list[tuple[float, str]]
) -> None:
    text = json.dumps({"type": "FeatureCollection", "features": features}, indent=1)
    for place, letter in changes:
        at = int(place * len(text))
        text = text[:at] + letter + text[at + 1 :]
    try:
        expected = json.loads(text)  # the judge
    except ValueError:
        expected = None
    if isinstance(expected, dict):
        assert read_features(text)[0] == expected
    else:
        with pytest.raises(ValueError):  # noqa: PT011
            read_features(text)


@pytest.mark.parametrize(
    "text", ["", "{", '{"a"', '{"a":', '{"a":1', '{"features":[', '{"features":[1,']
)
def test_a_text_that_ends_too_early_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011
        read_features(text)
