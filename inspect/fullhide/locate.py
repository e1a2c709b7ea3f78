"""Find the line on which something stands in a TOML or GeoJSON text.

The standard parsers keep no positions, and a message without a line makes a person search. Both
functions are handed text that a parser has already accepted, so they need not judge it.
"""

from __future__ import annotations

import json
import re
import tomllib

__all__ = ["KeyPath", "feature_lines", "nearest_line", "toml_lines"]

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:[^"\\\n]|\\.)*"|' + r"'[^'\n]*'",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\n]*")
_JSON_GAP = re.compile(r"[ \t\r\n,:]*")


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


def feature_lines(text: str) -> list[int]:
    """Return the line, from 1, on which each element of the top-level ``features`` starts.

    Parameters
    ----------
    text
        A JSON object as text, already accepted by `json.loads`.
    """
    decoder = json.JSONDecoder()
    starts: list[int] = []
    position = _skip(_JSON_GAP, text, 0) + 1  # past the opening brace
    while True:
        position = _skip(_JSON_GAP, text, position)
        if text[position] == "}":
            break
        key, position = decoder.raw_decode(text, position)
        position = _skip(_JSON_GAP, text, position)
        if key == "features" and text[position] == "[":
            starts = []
            position = _skip(_JSON_GAP, text, position + 1)
            while text[position] != "]":
                starts.append(position)
                _, position = decoder.raw_decode(text, position)
                position = _skip(_JSON_GAP, text, position)
            position += 1
        else:
            _, position = decoder.raw_decode(text, position)
    return [text.count("\n", 0, start) + 1 for start in starts]


def _skip(pattern: re.Pattern[str], text: str, position: int) -> int:
    match = pattern.match(text, position)
    return match.end() if match else position


class _Scanner:
    """One pass over a TOML text that is known to be valid."""

    def __init__(self, text: str) -> None:
        self.text = text
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
        line = self.text.count("\n", 0, self.position) + 1
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
