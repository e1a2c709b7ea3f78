"""Several processes: the same results in the same order, whatever becomes of a process."""

from __future__ import annotations

import json
import multiprocessing
import os
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import batch_work
import pytest
from staged import CHART_MM, FOX, GREEN, WHITE, scene

from fullhide import _batch_pool, batch, cli
from fullhide._batch_pool import Lost, in_order, usual_workers
from fullhide.batch import Outcome, Task, inspect_many, inspect_one
from fullhide.engine import inspect_job
from fullhide.errors import JobError
from fullhide.job import ChartSettings, Colour, Job, PhotoEntry
from fullhide.phantom import Spot, render, save_photo
from fullhide.result import to_json

# ---------------------------------------------------------------- processes


def tasks(folder: Path, count: int) -> list[tuple[str, int]]:
    return [(str(folder), number) for number in range(count)]


def begun(folder: Path) -> Counter[int]:
    return Counter(int(path.name.split(".")[0]) for path in folder.iterdir())


def test_results_come_in_order_from_other_processes(tmp_path: Path) -> None:
    answers = list(in_order(batch_work.begun, tasks(tmp_path, 12), workers=2))
    assert [number for number, _ in answers] == list(range(12))
    assert os.getpid() not in {process for _, process in answers}
    assert len({process for _, process in answers}) <= 2
    assert begun(tmp_path) == Counter(range(12))


def test_no_more_is_begun_than_a_few_ahead(tmp_path: Path) -> None:
    answers = in_order(batch_work.begun, tasks(tmp_path, 40), workers=2)
    next(answers)
    time.sleep(0.5)
    assert len(begun(tmp_path)) <= 1 + 2 * _batch_pool._AHEAD
    answers.close()


def test_a_killed_process_is_replaced_and_its_task_done_again(tmp_path: Path) -> None:
    answers = list(in_order(batch_work.dying_once, tasks(tmp_path, 7), workers=2))
    assert [number for number, _ in answers] == list(range(7))
    assert begun(tmp_path) == Counter({0: 1, 1: 2, 2: 1, 3: 1, 4: 2, 5: 1, 6: 1})


def test_a_task_that_kills_twice_is_lost_alone(tmp_path: Path) -> None:
    answers = list(in_order(batch_work.dying, tasks(tmp_path, 6), workers=2))
    assert answers[2] == Lost("the process that inspects it came to its end twice (signal 9)")
    assert "exit status 5" in answers[4].problem
    assert [a[0] for a in answers if not isinstance(a, Lost)] == [0, 1, 3, 5]
    assert begun(tmp_path) == Counter({0: 1, 1: 1, 2: 2, 3: 1, 4: 2, 5: 1})


def test_who_stops_asking_leaves_no_process_behind(tmp_path: Path) -> None:
    answers = in_order(batch_work.begun, tasks(tmp_path, 40), workers=3)
    next(answers)
    assert multiprocessing.active_children()
    answers.close()
    assert not multiprocessing.active_children()


def test_nothing_to_do_starts_nothing() -> None:
    assert list(in_order(batch_work.slow, [], workers=4)) == []
    assert not multiprocessing.active_children()


@pytest.mark.parametrize(
    ("photos", "cores", "free", "wanted"),
    [(3, 8, 64, 1), (40, 2, 64, 2), (40, 8, 3, 3), (40, 8, 0, 1), (40, 64, 512, 40)],
)
def test_processes_suit_the_machine(
    monkeypatch: pytest.MonkeyPatch, photos: int, cores: int, free: int, wanted: int
) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(cores)), raising=False)
    monkeypatch.setattr(_batch_pool, "_free_bytes", lambda: free << 30)
    assert usual_workers(photos) == wanted


def test_free_memory_is_a_number_of_this_machine() -> None:
    assert 1 << 26 < _batch_pool._free_bytes() <= 1 << 45


# ---------------------------------------------------------------- inspections


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """A clean panel, a file that is no photo, one with a spot, and the first again."""
    folder = tmp_path_factory.mktemp("batch")
    spotted = (Spot(GREEN[0], (50.0, 30.0), area_mm2=12.0),)
    save_photo(render(scene()), folder / "clean.jpg")
    save_photo(render(scene(spots=spotted)), folder / "spot.jpg")
    (folder / "broken.jpg").write_bytes(b"not a photo")
    (folder / "again.jpg").write_bytes((folder / "clean.jpg").read_bytes())
    names = ("clean.jpg", "broken.jpg", "spot.jpg", "again.jpg")
    return Job(
        name="batch",
        folder=folder,
        under=(Colour(*GREEN), Colour(*WHITE)),
        finish=Colour("fox brown", FOX),
        chart=ChartSettings(width_mm=CHART_MM),
        photos=tuple(PhotoEntry(file=name) for name in names),
    )


@pytest.fixture(scope="module")
def alone(job: Job) -> dict[str, object]:
    return to_json(inspect_job(job))


def test_processes_find_what_one_finds(job: Job, alone: dict[str, object]) -> None:
    seen: list[tuple[int, Outcome]] = []
    (result,) = inspect_many([job], workers=2, mask=True, on_outcome=lambda *a: seen.append(a))
    assert to_json(result) == alone
    (problem,) = result.problems
    assert str(problem).startswith(f"{job.folder / 'broken.jpg'}: not a photo")
    assert {number for number, _ in seen} == {0}
    assert [o.result.file if o.result else None for _, o in seen] == [
        None if "broken" in entry.file else entry.file for entry in job.photos
    ]
    assert all(o.mask for _, o in seen if o.result)
    assert all(o.overlay is None for _, o in seen)


def test_a_photo_that_kills_its_process_is_its_own_problem(
    job: Job, alone: dict[str, object]
) -> None:
    (job.folder / "killer.jpg").write_bytes(b"x")
    entries = (*job.photos[:1], PhotoEntry(file="killer.jpg"), *job.photos[1:])
    (result,) = inspect_many([replace(job, photos=entries)], workers=2, work=batch_work.killed_on)
    assert to_json(result)["photos"] == alone["photos"]
    (mine,) = [p for p in result.problems if "killer" in str(p)]
    assert "came to its end twice (signal 9)" in str(mine)


def test_a_fault_of_ours_is_the_photos_own_problem(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fault(*_: object, **__: object) -> None:
        raise KeyError("no such thing")

    monkeypatch.setattr("fullhide.engine.inspect_photo", fault)
    (problem,) = inspect_one(Task(job=job, entry=job.photos[0])).problems
    assert "a fault in fullhide (KeyError" in str(problem)
    monkeypatch.setattr("fullhide.engine.inspect_photo", lambda *_, **__: bytearray(1 << 62))
    (problem,) = inspect_one(Task(job=job, entry=job.photos[0])).problems
    assert "more memory" in str(problem)


def test_another_version_inspects_nothing(job: Job) -> None:
    outcome = inspect_one(Task(job=job, entry=job.photos[0], fullhide="0.0.0"))
    assert outcome.result is None
    assert "by fullhide 0.0.0" in str(outcome.problems[0])


# ---------------------------------------------------------------- the command

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as caught:
            cli.main([str(argument) for argument in arguments])
        assert isinstance(caught.value.code, int)
        return (caught.value.code, *capfd.readouterr())

    return call


def test_the_command_says_and_writes_the_same(run: Run, job: Job, tmp_path: Path) -> None:
    photos = [job.folder / entry.file for entry in job.photos[:3]]
    said = {}
    for workers in (1, 2):
        out = tmp_path / str(workers)
        said[workers] = run(
            *("inspect", *photos, "--workers", workers, "--under", "old green=38,-28,9"),
            *("--chart-width-mm", CHART_MM, "--masks", out, "--overlays", out),
            *("--json", out / "result.json"),
        )
    assert said[1][0] == 2
    assert said[1] == said[2]
    one, two = (sorted((tmp_path / str(n)).iterdir()) for n in (1, 2))
    assert [path.name for path in one] == [path.name for path in two]
    assert len(one) == 2 * 2 + 1
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
    assert len(json.loads((tmp_path / "2" / "result.json").read_text())["photos"]) == 2


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--workers", "0"], "no number of processes"),
        (["--workers", "2", "--scheduler", "tcp://127.0.0.1:9"], "one of them"),
        (["--scheduler", "tcp://127.0.0.1:9"], "no scheduler answers"),
        (["--scheduler", "nonsense"], "no scheduler answers"),
    ],
)
def test_a_wrong_way_to_share_out_is_one_line(
    run: Run, job: Job, arguments: list[str], expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fullhide._batch_cluster._ANSWER_S", 1)
    status, out, err = run("inspect", job.folder / "clean.jpg", *arguments)
    assert (status, out) == (2, "")
    assert expected in err
    assert err.count("\n") == 1


def test_without_the_extra_the_line_names_it(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(JobError, match=r"fullhide\[cluster\]"):
        batch.inspect_many([job], scheduler="tcp://127.0.0.1:8786")
