"""The example jobs' verdicts against the truth they were rendered from (our own phantoms)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fullhide.engine import inspect_job
from fullhide.job import load_job

SAMPLES = Path(__file__).parents[1] / "sample_images"


@pytest.mark.parametrize("name", ["kestrel", "heron"])
def test_every_verdict_of_an_example_job_agrees_with_its_truth(name: str) -> None:
    folder = SAMPLES / name
    truth = json.loads((folder / "truth.json").read_text())
    result = inspect_job(load_job(folder))
    assert result.problems == ()
    found = {
        (photo.file, region.name): region for photo in result.photos for region in photo.regions
    }
    expected = {
        (photo["file"], region["name"]): region
        for photo in truth["photos"]
        for region in photo["regions"]
        if region["kind"] != "ignore"
    }
    verdicts = {key: region.verdict for key, region in found.items()}
    assert verdicts == {key: region["expected"] for key, region in expected.items()}
    for key, region in expected.items():
        if region["expected"] == "fail":
            named = {finding.under for finding in found[key].findings}
            assert {spot["under"] for spot in region["spots"]} <= named
