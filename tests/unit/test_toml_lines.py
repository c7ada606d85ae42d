"""Every key of a TOML text is found on the line where a person would look for it."""

from __future__ import annotations

import random
import tomllib
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import ProfileError, SiteError
from monitor.toml_lines import TomlLines, did_you_mean, dotted, load_toml, path_of

TEXT = '''\
# a comment with [brackets] and key = 1
title = "a # that is no comment"

[bank]                      # after a header
unit_voltage_V = 6
"quoted key" = 1
dotted.inner.deep = 2
many = """
[not.a.table]
fake = 1 \\""" still
"""
literal = \'\'\'
also = "no key"\'\'\'
after = 3

[[devices]]
name = "charger"
limits = [
    1,   # one
    [2, 3],
    { low = 4,  high = 5 },
]

[devices.line]
baud = 9600

[[devices]]
name = "shunt"
line = { baud = 4800, kind.of = "x" }

[[devices.points]]
address = 1

[[devices.points]]
address = 2
[one.two.three]
x = 1979-05-27T07:32:00Z
[one]
y = 1
'''

LINES: dict[tuple[str | int, ...], int] = {
    ("title",): 2,
    ("bank",): 4,
    ("bank", "unit_voltage_V"): 5,
    ("bank", "quoted key"): 6,
    ("bank", "dotted"): 7,
    ("bank", "dotted", "inner", "deep"): 7,
    ("bank", "many"): 8,
    ("bank", "literal"): 12,
    ("bank", "after"): 14,
    ("devices",): 16,
    ("devices", 0): 16,
    ("devices", 0, "name"): 17,
    ("devices", 0, "limits"): 18,
    ("devices", 0, "limits", 0): 19,
    ("devices", 0, "limits", 1): 20,
    ("devices", 0, "limits", 1, 1): 20,
    ("devices", 0, "limits", 2, "high"): 21,
    ("devices", 0, "line"): 24,
    ("devices", 0, "line", "baud"): 25,
    ("devices", 1): 27,
    ("devices", 1, "name"): 28,
    ("devices", 1, "line", "baud"): 29,
    ("devices", 1, "line", "kind", "of"): 29,
    ("devices", 1, "points", 0): 31,
    ("devices", 1, "points", 0, "address"): 32,
    ("devices", 1, "points", 1): 34,
    ("devices", 1, "points", 1, "address"): 35,
    ("one", "two"): 36,
    ("one", "two", "three"): 36,
    ("one", "two", "three", "x"): 37,
    ("one",): 38,
    ("one", "y"): 39,
}


@pytest.mark.parametrize(("path", "line"), LINES.items(), ids=lambda part: str(part))
def test_a_key_is_found_on_its_line(path: tuple[str | int, ...], line: int) -> None:
    assert TomlLines(TEXT).line_of(path) == line


@pytest.mark.parametrize("path", [("nothing",), ("bank", "fake"), ("not",), ("devices", 2), ("bank", "also")])
def test_what_is_not_in_the_text_has_no_line(path: tuple[str | int, ...]) -> None:
    assert TomlLines(TEXT).line_of(path) is None


def test_line_ends_of_another_system_count_the_same() -> None:
    lines = TomlLines(TEXT.replace("\n", "\r\n"))
    assert {path: lines.line_of(path) for path in LINES} == LINES


def test_every_path_of_any_document_has_a_line() -> None:
    """Law: whatever tomllib reads, each key and item of the result has a line, and the key stands there."""
    seed = 20261125
    rng = random.Random(seed)
    for case in range(200):
        text = "".join(f"k{n} = {_random_value(rng, 0)}\n" for n in range(rng.randint(1, 4)))
        text += "".join(f"[[t]]\nv = {_random_value(rng, 0)}\n" for _ in range(rng.randint(0, 3)))
        data, lines = _parse(text)
        for path in _paths(data, ()):
            line = lines.line_of(path)
            assert line is not None, (seed, case, path, text)
            if isinstance(path[-1], str):
                assert path[-1] in text.split("\n")[line - 1], (seed, case, path, line, text)


def _parse(text: str) -> tuple[dict[str, Any], TomlLines]:
    return tomllib.loads(text), TomlLines(text)


def _random_value(rng: random.Random, depth: int) -> str:
    kind = rng.randint(0, 6 if depth < 3 else 3)
    if kind == 0:
        return str(rng.randint(-99, 99))
    if kind == 1:
        return rng.choice(['"]} = # "', "'\\'", '"\\""', '""', "''", '"""a\n"b"""""', "'''\nx = 1\n'''"])
    if kind == 2:
        return rng.choice(["1.5e3", "inf", "true", "07:32:00", "1979-05-27 07:32:00"])
    if kind == 3:
        return "[]"
    if kind == 4:
        items = (_random_value(rng, depth + 1) for _ in range(rng.randint(1, 3)))
        return "[\n" + ",  # ]\n".join(items) + "\n]"
    inner = ", ".join(f"k{n} = {_random_value(rng, depth + 1)}" for n in range(rng.randint(0, 3)))
    return "{ " + inner + " }"


def _paths(value: Any, path: tuple[str | int, ...]) -> list[tuple[str | int, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = [path] if path else []
    for key, inner in items:
        found += _paths(inner, (*path, key))
    return found


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a = 1\nb = \n", 2),
        ("[bank\n", 1),
        ("a = 1\n\na = 2\n", 3),
        ('a = "open\n', 1),
        ("x\n", 1),
        ("a = [1,\n2", 2),
    ],
)
def test_a_syntax_fault_names_file_and_line(tmp_path: Path, text: str, line: int) -> None:
    file = tmp_path / "site.toml"
    file.write_text(text)
    with pytest.raises(SiteError, match=r"site\.toml: line \d+: file: is not valid TOML here") as refused:
        load_toml(file)
    assert refused.value.problems[0].line == line


def test_a_file_that_is_no_text_or_not_there_is_told(tmp_path: Path) -> None:
    file = tmp_path / "latin.toml"
    file.write_bytes("a = 1\nb = 'H\u00fctte'\n".encode("latin-1"))
    with pytest.raises(ProfileError, match="line 2: file: is not UTF-8"):
        load_toml(file, ProfileError)
    with pytest.raises(ProfileError, match="cannot be read"):
        load_toml(tmp_path / "absent.toml", ProfileError)


def test_a_file_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    file = tmp_path / "bom.toml"
    file.write_bytes(b"\xef\xbb\xbfa = 1\n")
    data, lines = load_toml(file)
    assert (data, lines.line_of(("a",))) == ({"a": 1}, 1)


def test_paths_and_advice_read_as_a_person_writes_them() -> None:
    assert dotted(("devices", 0, "port")) == "devices[0].port"
    assert did_you_mean("unit_voltge_V", ["unit_voltage_V", "chemistry"]) == "did you mean 'unit_voltage_V'?"
    assert did_you_mean("zzz", ["b", "a"]) == "known here: a, b"


@pytest.mark.parametrize("path", [("bank", "unit_voltage_V"), ("devices", 0, "port"), ("a",), ("a", 12, "b")])
def test_a_key_as_written_gives_its_path_back(path):
    assert path_of(dotted(path)) == path
