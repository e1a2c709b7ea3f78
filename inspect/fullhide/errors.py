"""One family of errors: which file, what is wrong, what to do."""

from __future__ import annotations

from pathlib import Path

__all__ = ["FullhideError", "JobError", "OutputError", "PhotoError"]


class FullhideError(Exception):
    """Base of every error that fullhide raises on purpose.

    Parameters
    ----------
    where
        The file (or the option) at fault.
    problem
        What is wrong, in plain words, without a final full stop.
    remedy
        What the person can do about it.
    line
        Line number in `where`, counted from 1, if known.
    """

    def __init__(
        self, where: str | Path, problem: str, remedy: str = "", *, line: int | None = None
    ) -> None:
        self.where = str(where)
        self.problem = problem
        self.remedy = remedy
        self.line = line
        place = self.where if line is None else f"{self.where}, line {line}"
        text = f"{place}: {problem}" + (f"; {remedy}" if remedy else "")
        # One line whatever a library's own message held.
        super().__init__(" ".join(text.split()))

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.where, self.problem, self.remedy, self.line))


def _rebuild(
    kind: type[FullhideError], where: str, problem: str, remedy: str, line: int | None
) -> FullhideError:
    return kind(where, problem, remedy, line=line)


class PhotoError(FullhideError):
    """A photo that cannot be opened or used."""


class JobError(FullhideError):
    """A job folder, an outline or a command-line value that cannot be used."""


class OutputError(FullhideError):
    """A result that cannot be written."""
