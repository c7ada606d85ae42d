"""TOML files a person wrote: read them, and tell on which line a key stands.

`tomllib` checks and reads; it keeps no lines. TomlLines walks the same text once more and notes where each
key, table and array item begins, so that a fault found later (a value out of range, an unknown key) can
name its line. Site file, device profiles and tables' descriptions come through here. Imports only errors.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from monitor.errors import FileError, Problem, SiteError

TomlPath = tuple[str | int, ...]
"""Keys and array indexes from the top: ("devices", 0, "port")."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_ESCAPE = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", re.DOTALL)
_AT_LINE = re.compile(r" \(at line (\d+), column \d+\)$| \(at end of document\)$")


class TomlLines:
    """Where each key of a TOML text stands.

    Raises tomllib.TOMLDecodeError for a text that is no TOML.
    """

    def __init__(self, text: str) -> None:
        tomllib.loads(text)  # from here on the walk may rely on a sound text
        self._text = text.replace("\r\n", "\n")
        self._at = 0
        self._lines: dict[TomlPath, int] = {}
        self._array_tables: dict[TomlPath, int] = {}
        self._walk()

    def line_of(self, path: Sequence[str | int]) -> int | None:
        """1-based line on which the key, table or array item begins; None where the text has none."""
        return self._lines.get(tuple(path))

    def nearest_line(self, path: TomlPath) -> int | None:
        """The line of the key, else of the table that holds it; None where the text has neither."""
        for length in range(len(path), 0, -1):
            line = self.line_of(path[:length])
            if line is not None:
                return line
        return None

    def _walk(self) -> None:
        table: TomlPath = ()
        while True:
            self._skip(_BLANK)
            if self._at >= len(self._text):
                return
            line = self._line()
            if self._text.startswith("[[", self._at):
                self._at += 2
                array = self._resolve((), self._keys(), line, last_is_array=True)
                index = self._array_tables.get(array, -1) + 1
                self._array_tables[array] = index
                table = (*array, index)
                self._lines[table] = line
                self._at += 2
            elif self._text[self._at] == "[":
                self._at += 1
                table = self._resolve((), self._keys(), line)
                self._lines[table] = line  # a header outranks the line that only implied the table
                self._at += 1
            else:
                self._pair(table)

    def _pair(self, table: TomlPath) -> None:
        line = self._line()
        path = self._resolve(table, self._keys(), line)
        self._at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _resolve(
        self, start: TomlPath, keys: Sequence[str], line: int, last_is_array: bool = False
    ) -> TomlPath:
        """The full path of dotted keys; a key that is an array of tables means its newest table."""
        path = start
        for position, key in enumerate(keys):
            path = (*path, key)
            self._lines.setdefault(path, line)
            if path in self._array_tables and not (last_is_array and position == len(keys) - 1):
                path = (*path, self._array_tables[path])
        return path

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip(_SPACE)
            if self._text[self._at] in "\"'":
                keys.append(self._string())
            else:
                keys.append(self._skip(_BARE_KEY))
            self._skip(_SPACE)
            if self._text[self._at] != ".":
                return keys
            self._at += 1

    def _value(self, path: TomlPath) -> None:
        first = self._text[self._at]
        if first in "\"'":
            self._string()
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        else:
            self._skip(_SCALAR)

    def _array(self, path: TomlPath) -> None:
        self._at += 1
        index = 0
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "]":
                self._at += 1
                return
            if self._text[self._at] == ",":
                self._at += 1
                continue
            self._lines[(*path, index)] = self._line()
            self._value((*path, index))
            index += 1

    def _inline_table(self, path: TomlPath) -> None:
        self._at += 1
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "}":
                self._at += 1
                return
            if self._text[self._at] == ",":
                self._at += 1
                continue
            self._pair(path)

    def _string(self) -> str:
        """Step over a string of any of the four kinds; the content matters only for quoted keys."""
        quote = self._text[self._at]
        literal = quote == "'"
        mark = quote * 3 if self._text.startswith(quote * 3, self._at) else quote
        start = self._at = self._at + len(mark)
        while not self._text.startswith(mark, self._at):
            self._at += 2 if not literal and self._text[self._at] == "\\" else 1
        if len(mark) == 3:  # up to two quotes may stand directly before the closing three
            while self._text.startswith(quote, self._at + 3):
                self._at += 1
        content = self._text[start : self._at]
        self._at += len(mark)
        return content if literal else _ESCAPE.sub(_unescape, content)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        found = match.group() if match else ""
        self._at += len(found)
        return found

    def _line(self) -> int:
        return self._text.count("\n", 0, self._at) + 1


def _unescape(match: re.Match[str]) -> str:
    code = match.group(1)
    if code[0] in "uU":
        return chr(int(code[1:], 16))
    return {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}.get(code, code)


AS_THE_SERVICE = (
    "on a running site write `sudo -u nightbank` before the command; a service itself sees no home folder"
)
"""Where a file may not be read: all of a running site is its user's, and lies in no home."""


def load_toml(path: Path, error: type[FileError] = SiteError) -> tuple[dict[str, Any], TomlLines]:
    """The tables of a TOML file and the lines of its keys.

    Raises `error` with one Problem (key "file") where the file cannot be read, is not UTF-8 text or is
    no TOML; the Problem names the line where the syntax breaks.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as fault:
        advice = AS_THE_SERVICE if isinstance(fault, PermissionError) else "check its name"
        text = f"cannot be read ({fault.strerror}); {advice}"
        raise error(str(path), (Problem("file", None, text),)) from fault
    except UnicodeDecodeError as fault:
        line = fault.object.count(b"\n", 0, fault.start) + 1
        problem = Problem("file", line, "is not UTF-8 text; save it as UTF-8 in your editor")
        raise error(str(path), (problem,)) from fault
    return toml_of(text, str(path), error)


def toml_of(
    text: str,
    name: str,
    error: type[FileError] = SiteError,
) -> tuple[dict[str, Any], TomlLines]:
    """The same of a TOML text that errors call `name`."""
    try:
        return tomllib.loads(text), TomlLines(text)
    except tomllib.TOMLDecodeError as fault:
        raise error(name, (_syntax_problem(text, str(fault)),)) from fault
    except ValueError as fault:  # Python reads no whole number of more than 4300 digits
        problem = Problem("file", None, "holds a number with thousands of digits; write it shorter")
        raise error(name, (problem,)) from fault
    except RecursionError as fault:
        problem = Problem("file", None, "holds brackets inside brackets by the hundred; write it flatter")
        raise error(name, (problem,)) from fault


def _syntax_problem(text: str, message: str) -> Problem:
    """tomllib tells the place only inside its message."""
    match = _AT_LINE.search(message)
    line = int(match.group(1)) if match and match.group(1) else text.rstrip().count("\n") + 1
    what = message[: match.start()] if match else message
    advice = "A line reads key = value, text in double quotes, decimals with a point"
    return Problem("file", line, f"is not valid TOML here: {what}. {advice}")


def path_of(key: str) -> tuple[str | int, ...]:
    """The path of a key as `dotted` writes it: "devices[0].port" is ("devices", 0, "port")."""
    parts = re.findall(r"\[(\d+)\]|([^.\[\]]+)", key)
    return tuple(int(index) if index else name for index, name in parts)


def dotted(path: Sequence[str | int]) -> str:
    """The key as a person writes about it: ("devices", 0, "port") is "devices[0].port"."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Advice for an unknown word: the nearest known one, or all known ones where none is near."""
    names = sorted(known)
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if not near:  # a wrong case is near however short the word
        near = [name for name in names if name.lower() == word.lower()]
    return f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(names)}"
