"""Line protocol from points. Pure.

    nightbank,site=Marsh\\ hide,device=shunt battery_voltage_V=12.31,battery_current_A=-2.1 1764028800000

One line is what one device gave at one time; a field is named as the quantity, unit included, and is a float
in that unit, so that whoever charts it needs no factor; codes are integers. A finished day's statistics are

    nightbank_day,site=Marsh\\ hide,device=shunt,quantity=battery_current_A count=9i,mean=-0.4 1764028800000

with the time at which the local day began. Syntax: the line protocol of
InfluxDB 1.x and 2.x, from memory; `tests/interop` has two servers read it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from monitor.store.mirrored import Point

MEASUREMENT = "nightbank"
DAYS = "nightbank_day"

_BLANKS = re.compile(r"\s+")
_SPECIAL = re.compile(r"([,= ])")


def tag_value(text: str) -> str:
    """A tag's value: special characters escaped, every run of blanks one space, no backslash at the end
    (there is no way to write one)."""
    return _SPECIAL.sub(r"\\\1", _BLANKS.sub(" ", text).strip().rstrip("\\ "))


class Lines:
    """Writes the lines of one site."""

    def __init__(self, site: str) -> None:
        self._site = tag_value(site)
        self._heads: dict[tuple[str, str], str] = {}

    def of(self, points: Iterable[Point]) -> list[str]:
        """A line each, with its time in ms."""
        return [self._line(point) for point in points]

    def _line(self, point: Point) -> str:
        head = self._heads.get((point.device, point.of))
        if head is None:
            of = f",quantity={point.of}" if point.of else ""
            name = DAYS if point.of else MEASUREMENT
            head = f"{name},site={self._site},device={tag_value(point.device)}{of} "
            self._heads[point.device, point.of] = head
        fields = [
            f"{name}={value}i" if type(value) is int else f"{name}={value!r}"
            for name, value in point.values.items()
        ]
        return f"{head}{','.join(fields)} {point.time_ms}"
