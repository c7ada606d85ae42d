"""The outlook's answer in one line, for the person in bed. Times are local at the site."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from monitor.outlook import WARN_PROBABILITY
from monitor.outlook.answer import Outlook, Relief
from monitor.records import to_datetime

WIDE = 0.38
"""A wider band of the lowest charge is told as one: a single figure would claim too much (our choice: that of
a charge which `nightbank now` tells as a band, 2.56 of its deviations of 0.15)."""

SURE = 0.7
"""From this probability on it is told as a fact, below it as a possibility (our choice)."""


def sentence(outlook: Outlook, zone: ZoneInfo) -> str:
    """Whether the bank lasts, how low it gets and when, and what would help."""
    lowest = _lowest(outlook, zone)
    span = "until morning" if outlook.helps_ms is not None else "the next 24 hours"
    if outlook.soc_now < outlook.reserve_soc:
        reserve = f"{100 * outlook.reserve_soc:.0f} %"
        return f"Already below the reserve of {reserve}: {lowest}.{_help(outlook)}"
    if at_risk(outlook) < WARN_PROBABILITY:
        return f"Lasts {span}: {lowest}."
    cut = (outlook.crosses_disconnect_probability or 0.0) >= WARN_PROBABILITY
    if outlook.crosses_reserve_probability >= SURE and outlook.reserve_ms is not None:
        answer = f"Will not last: reserve reached about {clock(outlook.reserve_ms, zone)}."
    elif outlook.crosses_reserve_probability >= WARN_PROBABILITY:
        answer = f"May not last {span}: {lowest}, and the reserve is {100 * outlook.reserve_soc:.0f} %."
    else:
        return f"The controller may cut the loads: {lowest}.{_help(outlook)}"
    return answer + (" The controller may cut the loads." if cut else "") + _help(outlook)


def _lowest(outlook: Outlook, zone: ZoneInfo) -> str:
    band = outlook.soc_min
    if band.p90 - band.p10 > WIDE:
        return f"lowest somewhere between {100 * band.p10:.0f} and {100 * band.p90:.0f} %"
    return f"lowest about {100 * band.p50:.0f} % at {clock(outlook.low_ms, zone)}"


def at_risk(outlook: Outlook) -> float:
    """The probability that the bank does not last: below the reserve or below the disconnect."""
    return max(outlook.crosses_reserve_probability, outlook.crosses_disconnect_probability or 0.0)


def helps(relief: Relief) -> bool:
    """Whether with this branch off the bank is likely to last."""
    left = max(relief.crosses_reserve_probability, relief.crosses_disconnect_probability or 0.0)
    return left < WARN_PROBABILITY


def clock(time_ms: int, zone: ZoneInfo) -> str:
    """Hours and minutes at the site."""
    return to_datetime(time_ms).astimezone(zone).strftime("%H:%M")


def _help(outlook: Outlook) -> str:
    for relief in outlook.switch_off:
        if helps(relief):
            return f" With {' and '.join(relief.loads)} off now (branch {relief.branch}) it lasts."
    if outlook.switch_off:
        return " No single branch switched off is enough."
    return ""
