"""The same work on a cluster, a worker of which is killed midway: nothing lost or done twice."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from distributed import LocalCluster
from staged import CHART_MM, FOX, GREEN, WHITE

from fullhide.engine import inspect_job
from fullhide.inspection import run_jobs
from fullhide.job import Job, load_job
from fullhide.keeper import Keeper
from fullhide.phantom import Camera, Chart, Scene, Spot, render, save_photo
from fullhide.record import Record
from fullhide.result import PhotoResult, to_json

COUNT = 6
TOML = f"""
name = "cluster"
[[under]]
name = "{GREEN[0]}"
lab = {list(GREEN[1])}
[[under]]
name = "{WHITE[0]}"
lab = {list(WHITE[1])}
[finish]
name = "fox brown"
lab = {list(FOX)}
[chart]
edition = "after-2014"
width_mm = {CHART_MM}
"""


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("cluster")
    text = TOML
    small = Scene(
        size_px=(560, 420),
        mm_per_px=0.2,
        finish=FOX,
        under=(GREEN, WHITE),
        panel_px=((10.0, 10.0), (550.0, 10.0), (550.0, 200.0), (10.0, 200.0)),
        chart=Chart(centre_px=(280.0, 310.0), width_mm=CHART_MM),
        camera=Camera(),
    )
    spotted = replace(small, spots=(Spot(GREEN[0], (50.0, 20.0), area_mm2=12.0),))
    for kind, one in (("clean", small), ("spot", spotted)):
        save_photo(render(one), folder / f"{kind}.jpg")
    for number in range(COUNT):
        source = folder / ("spot.jpg" if number % 2 else "clean.jpg")
        # A comment of its own makes each file another photo, whose record is its own.
        data = source.read_bytes()
        comment = b"\xff\xfe\x00\x03" + bytes([number])
        (folder / f"p{number}.jpg").write_bytes(data[:2] + comment + data[2:])
        text += f'[[photo]]\nfile = "p{number}.jpg"\n'
    (folder / "job.toml").write_text(text)
    return load_job(folder)


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as made:
        yield made


def test_a_worker_killed_midway_loses_nothing_and_does_nothing_twice(
    job: Job, cluster: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = to_json(inspect_job(job))
    killed: list[int] = []
    keep = Keeper.keep

    def keep_and_kill(self: Keeper, photo: PhotoResult, outlines: Any) -> None:
        if not killed:  # the first is finished: others are under way on both workers
            killed.append(next(iter(cluster.workers.values())).pid)
            os.kill(killed[0], signal.SIGKILL)
        keep(self, photo, outlines)

    monkeypatch.setattr(Keeper, "keep", keep_and_kill)
    (result,) = run_jobs([job], by="A. Tester", scheduler=cluster.scheduler_address)
    assert killed
    with pytest.raises(ProcessLookupError):
        os.kill(killed[0], 0)
    assert to_json(result) == expected
    files = [kept.photo.file for kept in Record(job.folder).inspections()]
    assert files == [f"p{number}.jpg" for number in range(COUNT)]
