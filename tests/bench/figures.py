"""The figures of a benchmark as values, so that `python -m tests.bench` can lay them beside each other.

A benchmark prints for whoever looks on, and hands the same numbers over here. Run by itself it hands them
to nobody.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal, TypedDict, Unpack

WHERE = "NIGHTBANK_BENCH_FIGURES"
"""The variable that names the file to which figures are added, a line of JSON each."""

Kind = Literal["ratio", "accuracy", "cost"]
"""Beside a baseline of the same run; against a known truth; what it took on this machine."""


class Target(TypedDict, total=False):
    """What a figure should come to, where there is a target."""

    at_most: float
    at_least: float


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. beside names the baseline or the truth. at_most or at_least is the target, where there is
    one."""

    kind: Kind
    what: str
    value: float
    unit: str = ""
    beside: str = ""
    at_most: float | None = None
    at_least: float | None = None

    @property
    def has_target(self) -> bool:
        """Whether it should come to something."""
        return self.at_most is not None or self.at_least is not None

    @property
    def is_missed(self) -> bool:
        """Whether there is a target, and the value is on the wrong side of it."""
        too_much = self.at_most is not None and self.value > self.at_most
        return too_much or (self.at_least is not None and self.value < self.at_least)


def ratio(what: str, value: float, beside: str, **target: Unpack[Target]) -> Figure:
    """So many times a baseline that was measured in the same run."""
    return Figure("ratio", what, value, "times", beside, **target)


def accuracy(what: str, value: float, unit: str, beside: str = "", **target: Unpack[Target]) -> Figure:
    """How near something comes to a truth that is known, or how often it is right."""
    return Figure("accuracy", what, value, unit, beside, **target)


def cost(what: str, value: float, unit: str, **target: Unpack[Target]) -> Figure:
    """Time, memory or room on this machine."""
    return Figure("cost", what, value, unit, **target)


def hand_over(*figures: Figure) -> None:
    """Give figures to whoever has asked for them."""
    file = os.environ.get(WHERE)
    if file:
        with open(file, "a", encoding="utf-8") as out:
            out.writelines(json.dumps(asdict(each), ensure_ascii=False) + "\n" for each in figures)


def figures_in(file: Path) -> list[Figure]:
    """What was handed over into a file; none where there is no file."""
    return list(_read(file)) if file.exists() else []


def _read(file: Path) -> Iterator[Figure]:
    for line in file.read_text(encoding="utf-8").splitlines():
        told: dict[str, Any] = json.loads(line)
        yield Figure(**told)
