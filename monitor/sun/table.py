"""A day's clear-sky steps as one line of text, some 2 kB: what the almanac prints and the store's notes keep.

Each column is rounded to whole steps of its quantity (`COLUMNS`), written as the differences between
neighbours, which are small and mostly alike, and deflated (RFC 1951 in the format of RFC 1950); base64 makes
text of it. A human can read the head: the day, the supply's key, where it starts and how wide a step is.
"""

from __future__ import annotations

import base64
import binascii
import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import accumulate, pairwise

from monitor.sun.day import STEP_S, Clear

COLUMNS = {
    "elevation_deg": 100,
    "azimuth_deg": 100,
    "beam_W_m2": 10,
    "diffuse_W_m2": 10,
    "module_C": 10,
    "power_W": 100,
    "passed_W": 100,
}
"""Steps a unit of each column (our choice: far finer than any model is true)."""


@dataclass(frozen=True, slots=True)
class DayTable:
    """The steps of one local day and the key of the supply they were worked out for."""

    day: date
    supply: str
    steps: tuple[Clear, ...]


def packed(table: DayTable) -> str:
    """The table as one line of text; its steps must be STEP_S wide, at least one."""
    numbers = [
        number
        for name, per_unit in COLUMNS.items()
        for number in _differences([round(getattr(step, name) * per_unit) for step in table.steps])
    ]
    raw = struct.pack(f"<{len(numbers)}i", *numbers)
    head = {
        "day": table.day.isoformat(),
        "supply": table.supply,
        "start_ms": table.steps[0].start_ms,
        "step_s": STEP_S,
        "steps": len(table.steps),
    }
    return json.dumps(head | {"columns": base64.b64encode(zlib.compress(raw, 9)).decode("ascii")})


def unpacked(text: str) -> DayTable:
    """The table that a text holds. Raises ValueError where the text is no table or a damaged one."""
    try:
        head = json.loads(text)
        count, start_ms = int(head["steps"]), int(head["start_ms"])
        raw = zlib.decompress(base64.b64decode(head["columns"], validate=True))
        numbers = struct.unpack(f"<{count * len(COLUMNS)}i", raw)
        day, supply, width_ms = (
            date.fromisoformat(head["day"]),
            str(head["supply"]),
            int(head["step_s"]) * 1000,
        )
    except (KeyError, TypeError, ValueError, struct.error, zlib.error, binascii.Error) as error:
        raise ValueError(f"this is no table of the sun, or a damaged one: {text[:80]!r}") from error
    if count < 1 or width_ms != STEP_S * 1000:
        raise ValueError(f"a table of the sun needs steps of {STEP_S} s, at least one: {text[:80]!r}")
    columns = [
        [number / per_unit for number in accumulate(numbers[place * count : (place + 1) * count])]
        for place, per_unit in enumerate(COLUMNS.values())
    ]
    rows = zip(*columns, strict=True)
    return DayTable(day, supply, tuple(Clear(start_ms + i * width_ms, *row) for i, row in enumerate(rows)))


def _differences(values: Sequence[int]) -> list[int]:
    return [values[0], *(after - before for before, after in pairwise(values))]
