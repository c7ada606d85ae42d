"""What became of the changes, kept from one time to the next, and the page that lays it down."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

HERE = Path(__file__).parent
PAGE, LOOKED_AT = HERE / "MUTANTS.md", HERE / "looked_at.toml"

OUTCOMES = ("noticed", "ran for ever", "survived", "no test comes here")
"""In the order of the page's columns. What runs for ever is noticed by whoever waits for the tests; on a
busy computer it may have been slow."""

PARTS = ("file", "place", "was", "now")
"""What tells a change that was looked at from others."""

HEAD = """\
# Small changes, and whether a test notices

Made by `python -m tests.mutants {asked} --page` and by nobody's hand. Each change is a slip
of one place: a comparison, a sign, `and` for `or`, a number (one more, from ten on half as much again), a
statement left out. They are drawn by a seed from all places of a room. What no test noticed was looked at
one by one; `looked_at.toml` says why it may stay so.
"""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one change. key tells the place from all others, digest what the file was like."""

    key: str
    digest: str
    file: str
    place: str
    line: int
    was: str
    now: str
    outcome: str

    @property
    def room(self) -> str:
        """The folder of monitor/."""
        return self.file.split("/")[1]

    @property
    def is_unnoticed(self) -> bool:
        """Whether the tests pass with the change."""
        return self.outcome in ("survived", "no test comes here")


def kept_in(file: Path) -> dict[tuple[str, str], Verdict]:
    """The newest verdict of each change, by key and digest."""
    if not file.exists():
        return {}
    lines = file.read_text(encoding="utf-8").splitlines()
    return {(each.key, each.digest): each for each in (Verdict(**json.loads(line)) for line in lines)}


def keep(verdict: Verdict, file: Path) -> None:
    """Add a verdict."""
    with file.open("a", encoding="utf-8") as out:
        out.write(json.dumps(asdict(verdict), ensure_ascii=False) + "\n")


def reasons(file: Path = LOOKED_AT) -> dict[tuple[str, ...], str]:
    """Why a change that no test notices may stay so: by file, place, what was there and what came instead."""
    if not file.exists():
        return {}
    changes = tomllib.loads(file.read_text(encoding="utf-8"))["change"]
    return {tuple(each[part] for part in PARTS): each["why"] for each in changes}


def page(verdicts: Sequence[Verdict], asked: str, why: dict[tuple[str, ...], str]) -> str:
    """The whole page: a row a room, and a row for each change that no test noticed."""
    rooms = sorted({each.room for each in verdicts})
    rows = [[room, *_counts(each for each in verdicts if each.room == room)] for room in rooms]
    unnoticed = [each for each in verdicts if each.is_unnoticed]
    parts = [
        HEAD.format(asked=asked),
        _table(("room", "changes", *OUTCOMES), [*rows, ["together", *_counts(verdicts)]]),
        "## What no test noticed\n",
        _table(
            ("where", "was", "became", "why it may stay so"),
            [
                [
                    f"{each.file.removeprefix('monitor/')}: {each.place}",
                    _code(each.was),
                    _code(each.now),
                    why.get(tuple(getattr(each, part) for part in PARTS), "**not looked at yet**"),
                ]
                for each in sorted(unnoticed, key=lambda each: (each.file, each.line, each.key))
            ],
        ),
    ]
    return "\n".join(parts)


def _counts(verdicts: Iterable[Verdict]) -> list[str]:
    counts = Counter(each.outcome for each in verdicts)
    return [str(counts.total()), *(str(counts[outcome]) for outcome in OUTCOMES)]


def _code(text: str) -> str:
    return f"`{text}`".replace("|", "\\|")


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)
