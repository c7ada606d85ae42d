"""The small changes that `python -m tests.mutants` tries: which there are, that each is one alone, which
tests try them, and what is told of them."""

from __future__ import annotations

import ast

import pytest

from tests.mutants.changes import changed, spots
from tests.mutants.outcome import Verdict, keep, kept_in, page
from tests.mutants.reach import Reach
from tests.mutants.sample import places_in

SOURCE = '''
"""What it is."""

@dataclass(frozen=True)
class Pack:
    """A bank."""

    cells: int = 6

    def low(self, volts: float | None) -> bool:
        """Whether it is low."""
        log.warning("looked at %d", 3)
        if volts is None:
            raise ValueError(f"{volts} at {2 + 2}")
        self.seen = volts
        return volts < 1.9 * self.cells and not self.held
'''


def made(source: str) -> list[tuple[str, str]]:
    return [(change.was, change.now) for spot in spots(source) if (change := changed(source, spot))]


def test_texts_annotations_decorators_and_what_is_told_or_raised_stay_as_they_are():
    assert sorted(made(SOURCE)) == [
        ("1.9", f"{1.5 * 1.9}"),
        ("1.9 * self.cells", "1.9 / self.cells"),
        ("6", "7"),
        ("not self.held", "self.held"),
        ("self.seen = volts", "pass"),
        ("volts < 1.9 * self.cells", "volts <= 1.9 * self.cells"),
        ("volts < 1.9 * self.cells and (not self.held)", "volts < 1.9 * self.cells or not self.held"),
        ("volts is None", "volts is not None"),
    ]


@pytest.mark.parametrize(
    ("source", "changes"),
    [
        ("a = b == c != d", 2),
        ("while True:\n    break", 2),
        ("for a in b:\n    continue", 1),
        ("a += 1", 3),  # another sign, left out, another number
        ("if held():\n    pass", 1),
        ("a = -b // c % d", 3),
        ("a = 'text'", 0),
    ],
)
def test_every_kind_of_place_is_found(source, changes):
    assert len(spots(source)) == changes


def test_each_change_is_a_sound_program_and_another_one():
    before = ast.unparse(ast.parse(SOURCE))
    texts = [changed(SOURCE, spot).text for spot in spots(SOURCE)]
    assert len({before, *texts}) == 1 + len(texts)
    for text in texts:
        lines = zip(before.splitlines(), ast.unparse(ast.parse(text)).splitlines(), strict=True)
        assert sum(old != new for old, new in lines) == 1, text


@pytest.mark.parametrize(
    ("number", "larger"), [("0", "1"), ("9", "10"), ("10", "15"), ("725", "1087"), ("0.5", "0.75")]
)
def test_numbers_become_so_much_larger_that_it_matters(number, larger):
    assert made(f"a = {number}") == [(number, larger)]


def test_a_change_says_where_it_is():
    places = {changed(SOURCE, spot).within for spot in spots(SOURCE)}
    assert places == {"Pack", "Pack.low"}


def test_places_keep_their_names_whatever_becomes_of_other_lines():
    before = [place.key for place in places_in("a.py", SOURCE)]
    assert len({*before}) == len(before)
    moved = SOURCE.replace("    cells: int = 6\n", "    cells: int = 12\n    strings: int = 2\n")
    after = [place.key for place in places_in("a.py", moved)]
    assert [key for key in before if "cells: int" not in key] == [
        key for key in after if "cells: int" not in key and "strings" not in key
    ]


def test_the_tests_of_the_files_nearest_to_a_line_come_first_and_all_within_the_time():
    own, other = [f"own.py::{number}" for number in range(4)], [f"other.py::{number}" for number in range(90)]
    more = [f"{name}.py::1" for name in "ab"]
    through = {"m.py": {1: own + other[:2] + more, 2: other}}
    reach = Reach(through, dict.fromkeys((*own, *other, *more), 1.0) | {own[2]: 0.5})
    spot = spots("a = 1")[0]
    assert reach.turns_of("m.py", spot, 90.0) == [
        [own[2], *more, own[0], own[1], own[3]],
        other[:2],
    ]
    assert reach.turns_of("m.py", spot, 1.0) == [[own[2]]]


def test_a_verdict_is_kept_and_the_page_says_what_was_not_looked_at(tmp_path):
    parts = ("digest", "monitor/bank/cell.py", "Cell.step", 3)
    verdicts = [
        Verdict("a", *parts, "1", "2", "noticed"),
        Verdict("b", *parts, "x or y", "x and y", "survived"),
        Verdict("c", *parts, "x | y", "x & y", "survived"),
    ]
    for each in verdicts:
        keep(each, tmp_path / "verdicts")
    assert list(kept_in(tmp_path / "verdicts").values()) == verdicts
    why = {("monitor/bank/cell.py", "Cell.step", "x or y", "x and y"): "both are asked later"}
    told = page(verdicts, "--mutants 3 --seed 1", why)
    assert "| bank | 3 | 1 | 0 | 2 | 0 |" in told
    assert "| bank/cell.py: Cell.step | `x or y` | `x and y` | both are asked later |" in told
    assert "| bank/cell.py: Cell.step | `x \\| y` | `x & y` | **not looked at yet** |" in told
