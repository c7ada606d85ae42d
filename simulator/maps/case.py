"""One seed put together: course, map and display; the dump and what was seen, as a person hands them in."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Literal

from simulator.maps.course import DAY_MS, Course, Moment
from simulator.maps.display import Display, draw_display
from simulator.maps.layout import Place, RegisterMap
from simulator.maps.maker import draw_map
from simulator.maps.records import draw_record_map
from simulator.maps.scatter import draw_scattered_map

When = Literal["day", "hour"]
Kind = Literal["ordinary", "nasty", "scattered", "records"]
Snapshot = tuple[int, Mapping[Place, int]]
Seen = tuple[int, Mapping[str, str]]

MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True)
class Case:
    """later are moments of the day after the readings, for whoever judges what was found."""

    seed: int
    map: RegisterMap
    display: Display
    moments: tuple[Moment, ...]
    extra: tuple[Moment, ...]
    later: tuple[Moment, ...]

    def snapshots(self, readings: int) -> list[Snapshot]:
        """The registers at the first readings, and at the extra moments before the last of them."""
        read = self.moments[:readings]
        moments = [*read, *(m for m in self.extra if m.time_ms < read[-1].time_ms)]
        return [(m.time_ms, self.map.snapshot(m.now)) for m in sorted(moments, key=lambda m: m.time_ms)]

    def seen(self, readings: int) -> list[Seen]:
        """What the display showed."""
        return [(m.time_ms, self.display.read(m)) for m in self.moments[:readings]]


def draw_case(
    seed: int, kind: Kind, readings: int = 3, when: When | None = None, step: float | None = 0.1
) -> Case:
    """The case of a seed. when says whether the readings lie hours or minutes apart; None draws it."""
    rng = Random(f"{seed}/{kind} case")
    made, display = draw_device(seed, kind, step)
    course = Course(seed)
    day_ms = course.world.start_ms + 2 * DAY_MS
    times = _times(rng, readings, when or ("day" if rng.random() < 0.7 else "hour"))
    extra = sorted(rng.uniform(times[0], times[-1] + 1) for _ in range(rng.choice((0, 0, 0, 4))))
    wanted = sorted({*times, *extra}) if readings > 1 else times
    moments = {minute: course.at(day_ms + round(minute * MINUTE_MS)) for minute in wanted}
    later = [course.at(day_ms + DAY_MS + hour * 60 * MINUTE_MS) for hour in range(24)]
    read = tuple(moments[minute] for minute in times)
    return Case(seed, made, display, read, tuple(moments[m] for m in wanted if m not in times), tuple(later))


def draw_device(seed: int, kind: Kind, step: float | None) -> tuple[RegisterMap, Display]:
    """The map and the display of a seed; both tell the same of the two bank currents that there are."""
    if kind == "scattered":
        made = draw_scattered_map(seed)
    else:
        made = draw_record_map(seed) if kind == "records" else draw_map(seed, kind == "nasty")
    nets = [field.fact for field in made.carried.get("battery_current_A", ())]
    return made, draw_display(seed, step, nets[0] if nets else "battery_current_A")


def _times(rng: Random, readings: int, when: When) -> list[float]:
    """Minutes of the day, rising, minutes or hours apart; most of them in daylight."""
    if when == "hour":
        times = [rng.uniform(7.5, 19) * 60]
        while len(times) < readings:
            times.append(times[-1] + rng.uniform(2, 25))
        return times
    while True:
        times = sorted(rng.uniform(6, 22.5) * 60 for _ in range(readings))
        if all(later - sooner > 40 for sooner, later in pairwise(times)):
            return times


def iso(time_ms: int) -> str:
    """ISO 8601 in UTC with milliseconds."""
    return (
        datetime.fromtimestamp(time_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    )


def write_dump(path: Path, snapshots: Sequence[Snapshot]) -> None:
    """The dump as CSV."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(("time", "function", "address", "word"))
        for time_ms, words in snapshots:
            writer.writerows((iso(time_ms), *place, word) for place, word in sorted(words.items()))


def write_seen(path: Path, seen: Sequence[Seen]) -> None:
    """What the display showed as TOML."""
    tables = []
    for time_ms, shown in seen:
        lines = [f'{quantity} = "{digits}"' for quantity, digits in shown.items()]
        tables.append("\n".join(["[[seen]]", f'time = "{iso(time_ms)}"', *lines, ""]))
    path.write_text("\n".join(tables), encoding="utf-8")
