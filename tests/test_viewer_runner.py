"""Inspections in a row: told of, stopped, never thrown out of a thread."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from staged import LEFT, ONE_SPOT, RIGHT, job_of, rendered

from fullhide.engine import inspect_photo
from fullhide.errors import FullhideError
from fullhide.phantom import save_photo
from napari_fullhide import runner
from napari_fullhide.runner import Progress, Run, Task

TWO = (LEFT, replace(RIGHT, kind="panel"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("job")
    save_photo(rendered(ONE_SPOT), place / "p.png")
    return place


def tasks(folder: Path, count: int = 1, outlines=TWO) -> list[Task]:
    job = job_of(folder, outlines)
    return [Task(index=i, job=job, entry=job.photos[0]) for i in range(count)]


def test_each_photo_gives_the_engines_own_result_and_progress_only_grows(folder: Path) -> None:
    told: list[Progress] = []
    (answer,) = Run(tasks(folder), told.append).answers()
    job = job_of(folder, TWO)
    assert answer.error is None
    assert answer.inspection is not None
    assert answer.inspection.result == inspect_photo(job, job.photos[0]).result
    shares = [progress.share for progress in told]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert {progress.regions for progress in told} == {0, 2}
    assert told[0].file == "p.png"


def test_a_region_kept_is_not_judged_again(folder: Path) -> None:
    (task,) = tasks(folder)
    (first,) = Run([task]).answers()
    assert first.inspection is not None
    artifacts = first.inspection.artifacts
    told: list[Progress] = []
    kept = {"old": artifacts.judged["old"]}
    again = replace(task, opened=artifacts.opened, kept=kept)
    assert task.whole
    assert not again.whole
    (second,) = Run([again], told.append).answers()
    assert second.inspection is not None
    assert second.inspection.result.regions == first.inspection.result.regions
    assert told[-1].regions == 1


def test_cancelled_between_photos_no_further_one_is_begun(folder: Path) -> None:
    run = Run(tasks(folder, 3))
    answers = run.answers()
    next(answers)
    run.cancel()
    assert list(answers) == []
    assert run.cancelled


def test_cancelled_within_a_photo_it_gives_no_answer(folder: Path) -> None:
    seen: list[Progress] = []

    def told(progress: Progress) -> None:
        seen.append(progress)
        if progress.regions:
            run.cancel()

    run = Run(tasks(folder, 2), told)
    assert list(run.answers()) == []
    assert max(progress.photo for progress in seen) == 0


def test_a_photo_that_cannot_be_used_is_told_in_the_engines_words_and_stops_no_other(
    folder: Path, tmp_path: Path
) -> None:
    (good,) = tasks(folder)
    (tmp_path / "p.png").write_bytes(b"no photo")
    (bad,) = tasks(tmp_path)
    first, second = Run([bad, good]).answers()
    with pytest.raises(FullhideError) as engine:
        inspect_photo(bad.job, bad.entry)
    assert str(first.error) == str(engine.value)
    assert first.inspection is None
    assert second.inspection is not None


@pytest.mark.parametrize(
    ("thrown", "said"), [(ValueError("odd"), "fault of fullhide"), (MemoryError(), "memory")]
)
def test_a_fault_of_ours_is_told_too_and_ends_no_program(
    folder: Path, monkeypatch: pytest.MonkeyPatch, thrown: BaseException, said: str
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise thrown

    monkeypatch.setattr(runner, "inspect_photo", broken)
    (answer,) = Run(tasks(folder)).answers()
    assert said in str(answer.error)
    assert "\n" not in str(answer.error)
