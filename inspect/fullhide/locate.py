"""Find the line on which something stands in a TOML or GeoJSON text.

The standard parsers keep no positions, and a message without a line makes a person search.
"""

from __future__ import annotations

import json
import re
import tomllib
from bisect import bisect_left
from typing import Any

__all__ = ["KeyPath", "nearest_line", "read_features", "toml_lines"]

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:[^"\\\n]|\\.)*"|' + r"'[^'\n]*'",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\n]*")
_JSON_BLANK = re.compile(r"[ \t\r\n]*")


def toml_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, from 1, of every key, table and array element of a valid TOML text.

    Parameters
    ----------
    text
        TOML that `tomllib` accepts.

    Returns
    -------
    dict
        Line by key path, such as ``("under", 1, "lab")`` for the second ``[[under]]`` table.
    """
    return _Scanner(text).scan()


def nearest_line(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of `path`, or of the closest table around it; None for the whole file."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path)


def read_features(text: str) -> tuple[dict[str, Any], list[int]]:
    """Read a JSON object, and the lines on which the elements of its ``features`` start.

    Parameters
    ----------
    text
        A JSON object as text.

    Returns
    -------
    object, lines
        Lines from 1; no lines where ``features`` is no list.

    Raises
    ------
    ValueError
        If the text is no JSON object; `json.loads` has the plain reason.
    """
    scan = json.JSONDecoder().raw_decode
    found: dict[str, Any] = {}
    starts: list[int] = []
    position = _past(text, 0, "{")
    while text[position] != "}":
        key, position = scan(text, position)
        if not isinstance(key, str):
            raise ValueError("a key that is no text")
        position = _past(text, position, ":")
        if key == "features" and text[position] == "[":
            starts, elements, position = [], [], _past(text, position, "[")
            while text[position] != "]":
                starts.append(position)
                element, position = scan(text, position)
                elements.append(element)
                position = _next(text, position, "]")
            found[key], position = elements, position + 1
        else:
            starts = [] if key == "features" else starts
            found[key], position = scan(text, position)
        position = _next(text, position, "}")
    if _skip(_JSON_BLANK, text, position + 1) != len(text):
        raise ValueError("text after the end")
    breaks = _breaks(text)
    return found, [bisect_left(breaks, start) + 1 for start in starts]


def _past(text: str, position: int, mark: str) -> int:
    """What follows `mark`, blanks before and after it left out."""
    position = _skip(_JSON_BLANK, text, position)
    if text[position : position + 1] != mark:
        raise ValueError(f"no {mark}")
    position = _skip(_JSON_BLANK, text, position + 1)
    if position == len(text):
        raise ValueError("a text that ends too early")
    return position


def _next(text: str, position: int, end: str) -> int:
    """The next element after a comma, or the end mark itself."""
    position = _skip(_JSON_BLANK, text, position)
    if text[position : position + 1] == end:
        return position
    position = _past(text, position, ",")
    if text[position] == end:
        raise ValueError("a comma too many")
    return position


def _breaks(text: str) -> list[int]:
    """Where the lines end."""
    return [match.start() for match in re.finditer("\n", text)]


def _skip(pattern: re.Pattern[str], text: str, position: int) -> int:
    match = pattern.match(text, position)
    return match.end() if match else position


class _Scanner:
    """One pass over a TOML text that is known to be valid."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.breaks = _breaks(text)
        self.position = 0
        self.lines: dict[KeyPath, int] = {}
        self.tables: dict[KeyPath, int] = {}  # how many [[tables]] of a path came so far

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self.skip(_GAP)
        while self.position < len(self.text):
            if self.text.startswith("[", self.position):
                table = self.header()
            else:
                self.assignment(table)
            self.skip(_GAP)
        return self.lines

    def skip(self, pattern: re.Pattern[str]) -> None:
        self.position = _skip(pattern, self.text, self.position)

    def mark(self, path: KeyPath) -> None:
        line = bisect_left(self.breaks, self.position) + 1
        # Dotted keys open the tables on their way.
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def header(self) -> KeyPath:
        start = self.position
        array = self.text.startswith("[[", start)
        self.position += 2 if array else 1
        keys = self.keys()
        path: KeyPath = ()
        for key in keys[:-1]:
            path = self.into((*path, key))
        path = (*path, keys[-1])
        if array:
            self.tables[path] = self.tables.get(path, 0) + 1
            path = self.into(path)
        end = self.position
        self.position = start
        self.mark(path)
        self.position = end + (2 if array else 1)
        return path

    def into(self, path: KeyPath) -> KeyPath:
        """Add the index of the current element where `path` is an array of tables."""
        return (*path, self.tables[path] - 1) if path in self.tables else path

    def keys(self) -> list[str]:
        """Read a dotted key and stop at what follows it."""
        found: list[str] = []
        while True:
            self.skip(_BLANK)
            quoted = _STRING.match(self.text, self.position)
            if quoted:
                found.append(str(tomllib.loads(f"k = {quoted[0]}")["k"]))
                self.position = quoted.end()
            else:
                bare = _BARE_KEY.match(self.text, self.position)
                assert bare is not None, "the text was accepted by tomllib"
                found.append(bare[0])
                self.position = bare.end()
            self.skip(_BLANK)
            if not self.text.startswith(".", self.position):
                return found
            self.position += 1

    def assignment(self, table: KeyPath) -> None:
        start = self.position
        path = (*table, *self.keys())
        after, self.position = self.position, start
        self.mark(path)
        self.position = after + 1  # past the equals sign
        self.skip(_BLANK)
        self.value(path)

    def value(self, path: KeyPath) -> None:
        character = self.text[self.position : self.position + 1]
        if character == "[":
            self.array(path)
        elif character == "{":
            self.inline_table(path)
        elif character in {'"', "'"}:
            self.skip(_STRING)
        else:
            self.skip(_BARE_VALUE)

    def array(self, path: KeyPath) -> None:
        self.position += 1
        index = 0
        self.skip(_GAP)
        while not self.text.startswith("]", self.position):
            self.mark((*path, index))
            self.value((*path, index))
            self.skip(_GAP)
            if self.text.startswith(",", self.position):
                self.position += 1
                self.skip(_GAP)
            index += 1
        self.position += 1

    def inline_table(self, path: KeyPath) -> None:
        self.position += 1
        self.skip(_GAP)
        while not self.text.startswith("}", self.position):
            self.assignment(path)
            self.skip(_GAP)
            if self.text.startswith(",", self.position):
                self.position += 1
                self.skip(_GAP)
        self.position += 1
