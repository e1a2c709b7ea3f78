"""Outlines written back: only what was drawn changes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fullhide.errors import JobError, OutputError
from fullhide.outline_file import file_bytes, write_outlines
from fullhide.outlines import RegionOutline, read_outlines

SQUARE = [[10.0, 10.0], [50.0, 10.0], [50.0, 50.0], [10.0, 50.0], [10.0, 10.0]]
#: RFC 7946 allows foreign members, a third coordinate, features of any other kind and a bbox.
FILE: dict[str, Any] = {
    "type": "FeatureCollection",
    "made by": "a hand",
    "bbox": [0, 0, 99, 99],
    "features": [
        {
            "type": "Feature",
            "id": 7,
            "properties": {"photo": "a.jpg", "name": "seat", "kind": "panel", "hand": {"x": [1]}},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[*point, 3.25] for point in SQUARE]],
                "note": "ä",
            },
        },
        {"type": "Feature", "properties": None, "geometry": {"type": "Point", "coordinates": [1]}},
        {
            "type": "Feature",
            "properties": {"photo": "b.jpg", "name": "back", "kind": "panel"},
            "geometry": {"type": "Polygon", "coordinates": [SQUARE]},
        },
        {
            "type": "Feature",
            "properties": {"photo": "a.jpg", "name": "crossed", "kind": "panel"},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[0, 0], [9, 9], [9, 0], [0, 9], [0, 0]]],
            },
        },
        {
            "type": "Feature",
            "properties": {"photo": "a.jpg", "name": "front", "kind": "seam"},
            "geometry": {"type": "Polygon", "coordinates": [SQUARE]},
        },
    ],
}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    where = tmp_path / "regions.geojson"
    where.write_text(json.dumps(FILE, ensure_ascii=False), encoding="utf-8")
    return where


def drawn(path: Path, photo: str = "a.jpg") -> list[RegionOutline]:
    return [o for o in read_outlines(path, photos=["a.jpg", "b.jpg"]).usable if o.photo == photo]


def written(path: Path, outlines: list[RegionOutline]) -> Any:
    write_outlines(path, outlines, photo="a.jpg", before=file_bytes(path))
    return json.loads(path.read_text(encoding="utf-8"))


def new(name: str = "new", kind: str = "panel", **more: Any) -> RegionOutline:
    polygon = np.array([[1.0, 2.0], [30.123456, 2.0], [30.0, 40.0]])
    return RegionOutline(photo="a.jpg", name=name, kind=kind, polygon=polygon, **more)


def test_nothing_drawn_anew_leaves_every_value_as_it_was(path: Path) -> None:
    assert written(path, drawn(path)) == FILE


def test_a_moved_outline_changes_its_coordinates_only(path: Path) -> None:
    seat, front = drawn(path)
    after = written(path, [replace(seat, polygon=seat.polygon + 1.0), front])
    expected = json.loads(json.dumps(FILE))
    expected["features"][0]["geometry"]["coordinates"] = [[[x + 1, y + 1] for x, y in SQUARE]]
    assert after == expected


def test_a_renamed_outline_keeps_what_else_it_says(path: Path) -> None:
    seat, front = drawn(path)
    after = written(path, [replace(seat, name="cushion", kind="reference"), front])
    assert after["features"][0]["properties"] == {
        "photo": "a.jpg",
        "name": "cushion",
        "kind": "reference",
        "hand": {"x": [1]},
    }
    assert after["features"][0]["geometry"] == FILE["features"][0]["geometry"]


def test_a_removed_outline_goes_and_what_could_not_be_read_stays(path: Path) -> None:
    after = written(path, drawn(path)[1:])
    assert after["features"] == FILE["features"][1:]


def test_a_new_outline_is_closed_and_comes_last(path: Path) -> None:
    after = written(path, [*drawn(path), new()])
    assert after["features"][:-1] == FILE["features"]
    (ring,) = after["features"][-1]["geometry"]["coordinates"]
    assert ring == [[1.0, 2.0], [30.12, 2.0], [30.0, 40.0], [1.0, 2.0]]


def test_a_file_is_made_where_there_was_none(tmp_path: Path) -> None:
    path = tmp_path / "regions.geojson"
    assert file_bytes(path) is None
    after = written(path, [new(), new("zone", "ignore")])
    assert [f["properties"]["kind"] for f in after["features"]] == ["panel", "ignore"]
    assert [o.name for o in drawn(path)] == ["new", "zone"]


def test_a_proposal_is_not_written_until_it_is_taken_over(path: Path) -> None:
    proposal = new("surface", properties={"proposed": True})
    assert written(path, [*drawn(path), proposal]) == FILE


def test_an_outline_read_for_another_photo_is_a_new_one_here(path: Path) -> None:
    back = replace(drawn(path, "b.jpg")[0], photo="a.jpg")
    after = written(path, [*drawn(path), back])
    assert after["features"][:-1] == FILE["features"]
    assert after["features"][-1]["properties"]["photo"] == "a.jpg"


def test_a_file_that_another_program_changed_is_left_alone(path: Path) -> None:
    before, outlines = file_bytes(path), drawn(path)
    path.write_text(json.dumps({**FILE, "made by": "another"}))
    there = path.read_bytes()
    with pytest.raises(OutputError, match="changed by another program"):
        write_outlines(path, outlines, photo="a.jpg", before=before)
    assert path.read_bytes() == there


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (new("seat"), "name that another region"),
        (replace(new(), polygon=np.array([[0.0, 0], [9, 9], [9, 0], [0, 9]])), "crosses"),
        (replace(new(), polygon=np.array([[0.0, 0], [4, 4], [9, 9]])), "no area"),
        (new("chart", "chart"), "3 corners"),
    ],
)
def test_an_outline_that_cannot_stand_is_said_and_nothing_is_written(
    path: Path, wrong: RegionOutline, says: str
) -> None:
    there = path.read_bytes()
    with pytest.raises(JobError, match=says) as caught:
        written(path, [*drawn(path), wrong])
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == there


VALUE = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)


@given(foreign=st.lists(VALUE, max_size=3), more=st.dictionaries(st.text(), VALUE, max_size=3))
def test_whatever_else_is_in_the_file_keeps_its_value(
    tmp_path_factory: pytest.TempPathFactory, foreign: list[Any], more: dict[str, Any]
) -> None:
    path = tmp_path_factory.mktemp("job") / "regions.geojson"
    features = [
        *({"type": "Feature", "properties": {"what": x}, "geometry": None} for x in foreign),
        FILE["features"][0],
    ]
    whole = {**more, "type": "FeatureCollection", "features": features}
    path.write_bytes(json.dumps(whole).encode())
    assert written(path, drawn(path)) == whole
    once = path.read_bytes()
    assert written(path, drawn(path)) == whole
    assert path.read_bytes() == once
