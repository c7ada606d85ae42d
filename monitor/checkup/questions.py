"""What the person is asked before the acts: the time, and the set points that the controller's display
shows."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from monitor.checkup.keys import Keys
from monitor.checkup.recording import Answers
from monitor.records import to_datetime
from monitor.site.hours import parse_time
from monitor.site.model import Site

HALF_MINUTE_S = 30.0
"""A typed time is that of a minute's middle, on the mean."""

DAY_S = 86_400.0

Say = Callable[[str], None]


def ask_all(site: Site, keys: Keys, say: Say, now_ms: Callable[[], int]) -> Answers:
    """The answers; an empty line is 'not known'. What cannot be read is asked again."""
    zone = site.site.zone

    def local() -> datetime:
        return to_datetime(now_ms()).astimezone(zone)

    say(
        f"This computer's clock shows {local():%H:%M} ({site.site.time_zone}). Type what a phone shows,"
        " like 18:05 (Enter: no phone here)."
    )
    error_s = _asked(keys, say, lambda text: clock_error_s(text, local()))
    if site.controller is None:
        return Answers(clock_error_s=error_s)
    say(
        "Which absorption (or boost) voltage does the controller's display or menu show, in V? (Enter: not"
        " to be seen)"
    )
    absorption_V = _asked(keys, say, volts)
    say("And which float voltage? (Enter: not to be seen)")
    return Answers(error_s, absorption_V, _asked(keys, say, volts))


def clock_error_s(text: str, local: datetime) -> float:
    """By how much a clock that shows `local` is ahead of a typed time of the day, at most half a day
    either way.

    Raises ValueError with what to write.
    """
    typed = parse_time(text)
    trusted = local.replace(hour=typed.hour, minute=typed.minute, second=0, microsecond=0)
    ahead_s = (local - trusted) / timedelta(seconds=1) - HALF_MINUTE_S
    return (ahead_s + DAY_S / 2) % DAY_S - DAY_S / 2


def volts(text: str) -> float:
    """A voltage as typed, with a point or a comma. Raises ValueError with what to write."""
    try:
        value = float(text.lower().removesuffix("v").strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"{text!r} is no voltage; write it like 14.4") from None
    if not 1 <= value <= 120:
        raise ValueError(f"{text!r} is no voltage of such a bank; write it like 14.4")
    return value


def _asked(keys: Keys, say: Say, read: Callable[[str], float]) -> float | None:
    while True:
        text = keys.ask()
        if not text:
            return None
        try:
            return read(text)
        except ValueError as error:
            say(f"{error}.")
