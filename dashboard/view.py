"""What a closer look shows: one or two quantities over a span, its address, and the steps from there. Pure.

A step of a day or more begins at local midnights, so that a day of 23 or 25 hours is one day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from monitor.local_days import day_at, local_day
from monitor.quantities import QUANTITIES
from monitor.records import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, iso_utc, to_ms

PATH = "/days/closer"

USUAL_MS = DAY_MS
EVEN_MS = 5 * MINUTE_MS
"""A day is shown in steps of five minutes, which the store has summed up already."""

LEAST_MS = MINUTE_MS
MOST_MS = 3660 * DAY_MS
"""No shorter look than a minute and none longer than ten years (our choice)."""

FIRST_MS, LAST_MS = 946_684_800_000, 7_258_118_400_000
"""2000 and 2200: no reading is of another time (`monitor.store.steps`; the first is our choice)."""

CLEARLY = 4 / 3
"""The next step is at least so many times shorter or longer (our choice)."""

LONGEST_QUOTE = 40
MOST_PARTS = 14
TIME_ADVICE = "write it like 2026-11-25 or 2026-11-25T20:00Z"


@dataclass(frozen=True, slots=True)
class Step:
    """A length to choose: of whole local days, or (days 0) of length_ms."""

    text: str
    length_ms: int
    days: int = 0


STEPS = (
    Step("a minute", MINUTE_MS),
    Step("5 minutes", 5 * MINUTE_MS),
    Step("15 minutes", 15 * MINUTE_MS),
    Step("an hour", HOUR_MS),
    Step("3 hours", 3 * HOUR_MS),
    Step("6 hours", 6 * HOUR_MS),
    *(
        Step(text, days * DAY_MS, days)
        for text, days in (
            ("a day", 1),
            ("3 days", 3),
            ("a week", 7),
            ("a month", 30),
            ("three months", 91),
            ("a year", 365),
            ("five years", 1826),
        )
    ),
)


@dataclass(frozen=True, slots=True)
class View:
    """One or two quantities over [start_ms, end_ms)."""

    quantities: tuple[str, ...]
    start_ms: int
    end_ms: int

    @property
    def length_ms(self) -> int:
        return self.end_ms - self.start_ms

    def whole_days(self, zone: ZoneInfo) -> int:
        """How many local days it is made of, 0 where it does not begin and end at midnights."""
        first, last = day_at(zone, self.start_ms), day_at(zone, self.end_ms - 1)
        whole = first.start_ms == self.start_ms and last.end_ms == self.end_ms
        return (last.day - first.day).days + 1 if whole else 0

    def over(self, start_ms: int, end_ms: int) -> View:
        return replace(self, start_ms=start_ms, end_ms=end_ms)

    def beside(self, ahead: int, zone: ZoneInfo) -> View:
        """As long a span just before (-1) or after (1)."""
        days = self.whole_days(zone)
        if not days:
            shift_ms = ahead * self.length_ms
            return self.over(self.start_ms + shift_ms, self.end_ms + shift_ms)
        first = day_at(zone, self.start_ms).day + timedelta(days=ahead * days)
        return self.over(
            local_day(zone, first).start_ms, local_day(zone, first + timedelta(days=days)).start_ms
        )

    def stepped(self, step: Step, now_ms: int, zone: ZoneInfo) -> View:
        """That length around the middle of what lies behind us, as late as today at most."""
        middle_ms = (self.start_ms + min(self.end_ms, max(now_ms, self.start_ms + 1))) // 2
        if step.days:
            first = day_at(zone, middle_ms).day - timedelta(days=step.days // 2)
            first = min(first, day_at(zone, now_ms).day - timedelta(days=step.days - 1))
            end_ms = local_day(zone, first + timedelta(days=step.days)).start_ms
            return self.over(local_day(zone, first).start_ms, end_ms)
        grid_ms = max(SECOND_MS, step.length_ms // 12)
        start_ms = (middle_ms - step.length_ms // 2) // grid_ms * grid_ms
        return self.over(start_ms, start_ms + step.length_ms)

    def closer(self, now_ms: int, zone: ZoneInfo) -> View | None:
        """The next shorter step, None where there is none."""
        steps = [step for step in STEPS if step.length_ms * CLEARLY <= self.length_ms]
        return self.stepped(steps[-1], now_ms, zone) if steps else None

    def wider(self, now_ms: int, zone: ZoneInfo) -> View | None:
        """The next longer step, None where there is none."""
        steps = [step for step in STEPS if step.length_ms >= self.length_ms * CLEARLY]
        return self.stepped(steps[0], now_ms, zone) if steps else None

    def parts(self, zone: ZoneInfo) -> list[tuple[int, int]]:
        """The view cut into a few spans for its table and for the finger: hours of a day, days, weeks."""
        days = self.whole_days(zone)
        if days > 1:
            first = day_at(zone, self.start_ms).day
            width = 1 if days <= MOST_PARTS else -(-days // MOST_PARTS)
            cuts = [local_day(zone, first + timedelta(days=at)).start_ms for at in range(0, days, width)]
        elif days == 1:
            day = day_at(zone, self.start_ms).day
            cuts = [to_ms(datetime.combine(day, time(hour), zone)) for hour in range(0, 24, 3)]
        else:
            width = max(SECOND_MS, self.length_ms // 6 // SECOND_MS * SECOND_MS)
            cuts = list(range(self.start_ms, self.end_ms - width // 2, width))
        return list(zip(cuts, [*cuts[1:], self.end_ms], strict=True))


@lru_cache(maxsize=128)  # both strips and the table of a look lead to the same parts
def address(view: View, zone: ZoneInfo, path: str = PATH) -> str:
    """The view's address; local days by their dates, other times in UTC."""
    if view.whole_days(zone):
        edges = [day_at(zone, edge).day.isoformat() for edge in (view.start_ms, view.end_ms)]
    else:
        edges = [iso_utc(edge) for edge in (view.start_ms, view.end_ms)]
    names = "".join(
        f"{key}={name}&" for key, name in zip(("quantity", "beside"), view.quantities, strict=False)
    )
    return f"{path}?{names}from={edges[0]}&to={edges[1]}"  # nothing in these needs to be written with a %


def asked_view(
    query: Mapping[str, str], there: Sequence[str], usual: Sequence[str], now_ms: int, zone: ZoneInfo
) -> tuple[View, list[str]]:
    """The view that an address names, and in words what had to be read otherwise than it was written.

    there are the quantities to choose from, usual those of an address that names none.
    """
    remarks: list[str] = []
    quantities = _asked_quantities(query, there, usual, remarks)
    start_ms, end_ms = _asked_span(query, now_ms, zone, remarks)
    return View(quantities, start_ms, end_ms), remarks


def _asked_quantities(
    query: Mapping[str, str], there: Sequence[str], usual: Sequence[str], remarks: list[str]
) -> tuple[str, ...]:
    found: list[str] = []
    for key in ("quantity", "beside"):
        name = query.get(key)
        if name is None or name in found:
            continue
        if name in there:
            found.append(name)
        elif name in QUANTITIES:
            remarks.append(f"{name} was never read here or has no picture, so it is left out.")
        else:
            remarks.append(f"“{_quoted(name)}” is no quantity here, so it is left out.")
    return tuple(found or usual)


def _asked_span(query: Mapping[str, str], now_ms: int, zone: ZoneInfo, remarks: list[str]) -> tuple[int, int]:
    start_ms, end_ms = (_moment(query.get(key), zone, remarks) for key in ("from", "to"))
    if start_ms is None and end_ms is None:
        end_ms = -(-now_ms // EVEN_MS) * EVEN_MS
        return end_ms - USUAL_MS, end_ms
    if start_ms is None or end_ms is None:
        start_ms, end_ms = _a_day(start_ms, end_ms, zone)
    if end_ms < start_ms:
        start_ms, end_ms = end_ms, start_ms
        remarks.append("The end asked for lies before the begin: the two are exchanged.")
    if end_ms - start_ms < LEAST_MS:
        start_ms = (start_ms + end_ms - LEAST_MS) // 2 // SECOND_MS * SECOND_MS
        end_ms = start_ms + LEAST_MS
        remarks.append("There is no closer look than a minute: the one around it is shown.")
    if end_ms - start_ms > MOST_MS:
        start_ms = end_ms - MOST_MS
        remarks.append("There is no wider look than ten years: the last ten of it are shown.")
    if start_ms >= now_ms:
        length_ms = end_ms - start_ms
        end_ms = now_ms // SECOND_MS * SECOND_MS
        start_ms = end_ms - length_ms
        remarks.append("The time asked for is still to come: as long a time until now is shown.")
    return start_ms, end_ms


def _a_day(start_ms: int | None, end_ms: int | None, zone: ZoneInfo) -> tuple[int, int]:
    """The day from a moment on, or up to one: a local day where the moment is a midnight."""
    if start_ms is not None:
        day = day_at(zone, start_ms)
        return start_ms, day.end_ms if day.start_ms == start_ms else start_ms + USUAL_MS
    assert end_ms is not None
    day = day_at(zone, end_ms - 1)
    return day.start_ms if day.end_ms == end_ms else end_ms - USUAL_MS, end_ms


def _moment(text: str | None, zone: ZoneInfo, remarks: list[str]) -> int | None:
    """UTC ms of a time in an address; without a zone it is local time. None where none can be read."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text) if len(text) <= LONGEST_QUOTE else None
        if moment is not None:
            time_ms = to_ms(moment if moment.tzinfo is not None else moment.replace(tzinfo=zone))
            if FIRST_MS <= time_ms <= LAST_MS:
                return time_ms
    except (ValueError, OverflowError):
        pass
    remarks.append(f"“{_quoted(text)}” is no time that can be read here; {TIME_ADVICE}.")
    return None


def _quoted(text: str) -> str:
    return text if len(text) <= LONGEST_QUOTE else f"{text[: LONGEST_QUOTE - 1]}…"
