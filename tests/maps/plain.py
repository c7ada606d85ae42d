"""The obvious scan with intersection: every register in every encoding and scale that shows the same.

What is left after all looks is the answer: the first one; certain where it is the only one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.match.dump import Dump
from monitor.match.seen import Look
from tests.maps.judge import decoded

READINGS = (
    ("u16", None),
    ("s16", None),
    ("u32", "high_first"),
    ("u32", "low_first"),
    ("s32", "high_first"),
    ("s32", "low_first"),
    ("f32", "high_first"),
    ("f32", "low_first"),
)
SCALES = (1.0, 0.1, 0.01, 0.001)


def plain_match(dump: Dump, looks: Sequence[Look]) -> dict[str, dict[str, Any]]:
    """For each shown quantity state and place, as the matcher's document has them."""
    tables = [_table(dump.snapshots[look.index].words) for look in looks]
    names = {name for look in looks for name in look.shown}
    return {name: _one(name, looks, tables) for name in sorted(names)}


def _table(words: Mapping[tuple[int, int], int]) -> dict[tuple[int, int, str, str | None], float]:
    found = {}
    for (function, address), word in words.items():
        behind = words.get((function, address + 1))
        for encoding, order in READINGS:
            own = [word] if order is None else None if behind is None else [word, behind]
            if own is not None:
                found[function, address, encoding, order] = decoded(own, encoding, order)
    return found


def _one(
    name: str, looks: Sequence[Look], tables: Sequence[Mapping[tuple[int, int, str, str | None], float]]
) -> dict[str, Any]:
    left: set[tuple[tuple[int, int, str, str | None], float]] | None = None
    for look, table in zip(looks, tables, strict=True):
        told = look.shown.get(name)
        if told is None:
            continue
        fitting = {
            (key, scale)
            for key, raw in table.items()
            for scale in SCALES
            if abs(raw * scale - told.value) <= told.step / 2 + 1e-9
        }
        left = fitting if left is None else left & fitting
    if not left:
        empty = dict.fromkeys(("function", "address", "encoding", "word_order", "scale", "offset"))
        return {"state": "open", **empty}
    (function, address, encoding, order), scale = min(left, key=str)
    state = "certain" if len({key[:2] for key, _ in left}) == 1 else "likely"
    place = {"function": function, "address": address, "encoding": encoding, "word_order": order}
    return {"state": state, **place, "scale": scale, "offset": 0.0}
