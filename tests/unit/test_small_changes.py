"""The small changes that `python -m tests.mutants` tries: which there are, and that each is one alone."""

from __future__ import annotations

import ast

import pytest

from tests.mutants.changes import changed, spots

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
