"""The outlook's answer in one line, for the person in bed. Times are local at the site."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from monitor.outlook import WARN_PROBABILITY
from monitor.outlook.answer import Outlook, Relief
from monitor.records import to_datetime

SURE = 0.7
"""From this probability on it is told as a fact, below it as a possibility (our choice)."""


def sentence(outlook: Outlook, zone: ZoneInfo) -> str:
    """Whether the bank lasts, how low it gets and when, and what would help."""
    lowest = f"lowest about {outlook.soc_min.p50:.0%} at {clock(outlook.low_ms, zone)}".replace("%", " %")
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
