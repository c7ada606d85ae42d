"""The capacity test that somebody has begun, in a line for 'Tonight'. Pure."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from dashboard.local import in_form
from dashboard.words import MINUTE_MS, clock_text
from monitor.alarms.capacity_test import WatchedTest

SEEN_MS = 15 * MINUTE_MS
"""The daemon looks each minute, five while the bank rests: an older look is told with its time (ours)."""


def line_of(test: WatchedTest | None, now_ms: int, zone: ZoneInfo) -> str:
    """What a watched test is at; '' without one."""
    if test is None or not test.runs:
        return ""
    is_old = abs(now_ms - test.at_ms) > SEEN_MS
    seen = f", last seen {clock_text(test.at_ms, now_ms, zone)}" if is_old else ""
    begun = clock_text(test.begun_ms, now_ms, zone)
    return f"A capacity test runs, begun {begun}{seen}. {in_form(test.says)}"
