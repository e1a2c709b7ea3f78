"""Results: the promised JSON, the exit status, files written whole or not at all."""

from __future__ import annotations

import errno
import json
import os
from dataclasses import FrozenInstanceError, replace
from pathlib import Path

import numpy as np
import pytest

from fullhide.errors import JobError, OutputError
from fullhide.files import ready_folder, write_bytes
from fullhide.result import (
    ChartResult,
    Finding,
    JobResult,
    Measure,
    PhotoResult,
    RegionResult,
    Verdict,
    exit_status,
    to_json,
    write_json,
)

FINDING = Finding(
    id=1,
    kind="show_through",
    under="old green",
    area_mm2=14.123456789,
    delta_e=5.25,
    share=0.25,
    centre_px=(10.5, 20.5),
    box_px=(8, 18, 14, 24),
    along_seam_mm=(120.0, 131.0),
)
REGION = RegionResult(
    name="seat",
    part="bench, left",
    kind="seam",
    proposed=False,
    verdict="fail",
    reasons=("old green shows through at 1 place",),
    measures={"show_through_mm2": Measure(value=14.1, u=0.2, limit=1.0, unit="mm²")},
    detectable_mm2=0.4,
    findings=(FINDING,),
    flags=("light_uneven",),
)
PHOTO = PhotoResult(
    file="photos/left.jpg",
    sha256="ab" * 32,
    size_px=(4000, 3000),
    mm_per_px=0.1,
    chart=ChartResult(
        found=True,
        residual_delta_e=0.8,
        corners_px=((1, 2), (3, 2), (3, 4), (1, 4)),
        method="linear 3x3",
        edition="after-2014",
    ),
    quality={"flags": ["light_uneven"]},
    regions=(REGION,),
)
RESULT = JobResult(job="Kestrel", fullhide="0.1.0", photos=(PHOTO,))


def test_the_json_is_the_one_of_the_design_key_by_key() -> None:
    # DESIGN.md, "The command": names and order; what follows them was added later.
    data = to_json(RESULT)
    assert list(data) == ["schema", "job", "fullhide", "photos", "problems"]
    assert data["schema"] == 1
    photo = data["photos"][0]
    assert list(photo) == [
        "file", "sha256", "size_px", "mm_per_px", "chart", "quality", "regions",
    ]  # fmt: skip
    assert list(photo["chart"]) == [
        "found", "residual_delta_e", "corners_px", "method", "edition",
    ]  # fmt: skip
    region = photo["regions"][0]
    assert list(region) == [
        "name", "part", "kind", "verdict", "reasons", "measures", "detectable_mm2", "findings",
        "proposed", "flags", "ask_mm_per_px", "unseen_px", "reference", "tint",
    ]  # fmt: skip
    assert region["measures"] == {
        "show_through_mm2": {"value": 14.1, "u": 0.2, "limit": 1.0, "unit": "mm²"}
    }
    assert region["findings"] == [
        {
            "id": 1,
            "kind": "show_through",
            "under": "old green",
            "area_mm2": 14.1235,
            "delta_e": 5.25,
            "share": 0.25,
            "centre_px": [10.5, 20.5],
            "box_px": [8, 18, 14, 24],
            "along_seam_mm": [120.0, 131.0],
            "depth_mm": None,
        }
    ]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -np.inf, np.float32("nan"), None])
def test_a_value_that_is_absent_is_null_never_a_number(value: float | None) -> None:
    data = to_json(replace(RESULT, photos=(replace(PHOTO, mm_per_px=value),)))
    assert data["photos"][0]["mm_per_px"] is None
    json.dumps(data, allow_nan=False)


def test_numpy_values_become_plain_ones() -> None:
    quality = {
        "clipped": np.float32(0.1),
        "count": np.int64(3),
        "found": np.bool_(True),
        "row": np.arange(3, dtype=np.uint8),
        "mixed": (np.float64(1.5), None, "text"),
    }
    finding = replace(FINDING, id=np.uint16(7), centre_px=tuple(np.array([1.5, 2.5])))
    photo = replace(PHOTO, quality=quality, regions=(replace(REGION, findings=(finding,)),))
    data = json.loads(json.dumps(to_json(replace(RESULT, photos=(photo,)))))["photos"][0]
    assert data["quality"] == {
        "clipped": 0.1,
        "count": 3,
        "found": True,
        "row": [0, 1, 2],
        "mixed": [1.5, None, "text"],
    }
    assert data["regions"][0]["findings"][0]["id"] == 7


def test_what_has_no_json_form_is_an_error_in_our_code() -> None:
    with pytest.raises(TypeError, match=r"no JSON form for \w*Path"):
        to_json(replace(RESULT, photos=(replace(PHOTO, quality={"path": Path("x")}),)))


def test_results_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        REGION.verdict = "pass"  # type: ignore[misc]


def judged(*verdicts: Verdict | None) -> JobResult:
    regions = tuple(replace(REGION, verdict=verdict) for verdict in verdicts)
    return replace(RESULT, photos=(replace(PHOTO, regions=regions),))


@pytest.mark.parametrize(
    ("result", "status"),
    [
        # DESIGN.md: 0 all pass, 1 at least one fails, 3 none fails and one is to be retaken,
        # 2 the input is at fault.
        (judged("pass", "pass"), 0),
        (judged("pass", None), 0),
        (judged("pass", "fail", "retake"), 1),
        (judged("pass", "retake"), 3),
        (judged("retake"), 3),
        # Our own reading of what DESIGN.md leaves open: silence is no pass.
        (judged(None), 3),
        (judged(), 3),
        (replace(RESULT, photos=()), 2),
        (replace(judged("pass"), problems=(JobError("x", "y"),)), 2),
        (replace(judged("fail"), problems=(JobError("x", "y"),)), 2),
    ],
)
def test_the_exit_status_follows_the_verdicts(result: JobResult, status: int) -> None:
    assert exit_status(result) == status


def test_json_on_disk_is_utf8_and_complete(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    write_json(RESULT, path)
    assert json.loads(path.read_text(encoding="utf-8")) == to_json(RESULT)
    assert "mm²" in path.read_text(encoding="utf-8")
    assert list(tmp_path.iterdir()) == [path]


def test_json_on_standard_output_is_nothing_but_json(capsysbinary: object) -> None:
    write_json(RESULT, "-")
    assert json.loads(capsysbinary.readouterr().out) == to_json(RESULT)  # type: ignore[attr-defined]


def test_a_file_name_that_is_no_text_still_makes_valid_json(tmp_path: Path) -> None:
    name = os.fsdecode(b"gr\xfcn.jpg")
    path = tmp_path / "result.json"
    write_json(replace(RESULT, photos=(replace(PHOTO, file=name),)), path)
    assert json.loads(path.read_bytes())["photos"][0]["file"] == name


def test_problems_stand_in_the_json(tmp_path: Path) -> None:
    problem = JobError("job.toml", "is wrong", "mend it", line=3)
    data = to_json(replace(RESULT, problems=(problem,)))
    assert data["problems"] == ["job.toml, line 3: is wrong; mend it"]


def test_a_full_disk_leaves_the_old_file_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "result.json"
    path.write_text("old")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OutputError, match="no space left on device") as caught:
        write_json(RESULT, path)
    assert "\n" not in str(caught.value)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_replaces_another_whole_and_with_ordinary_rights(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"old and longer")
    write_bytes(path, b"new")
    assert path.read_bytes() == b"new"
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    assert path.stat().st_mode == plain.stat().st_mode


def test_a_target_that_is_a_folder_or_lies_nowhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        write_bytes(tmp_path / "folder", b"x")
    with pytest.raises(OutputError, match="cannot be written"):
        write_bytes(tmp_path / "nowhere" / "x", b"x")
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]


def test_a_folder_is_made_or_refused_in_words(tmp_path: Path) -> None:
    assert ready_folder(tmp_path / "a" / "b").is_dir()
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        ready_folder(tmp_path / "file")
    with pytest.raises(OutputError, match="cannot be made"):
        ready_folder(tmp_path / "file" / "below")
