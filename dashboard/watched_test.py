"""The capacity test that somebody has begun, in a line for 'Tonight'. Pure."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from dashboard.local import in_form
from dashboard.words import clock_text
from monitor.alarms.capacity_test import WatchedTest, lead_of


def line_of(test: WatchedTest | None, now_ms: int, zone: ZoneInfo) -> str:
    """What a watched test is at; '' without one."""
    if test is None or not test.runs:
        return ""
    lead = lead_of(test, now_ms, lambda time_ms: clock_text(time_ms, now_ms, zone))
    return f"{lead} {in_form(test.says)}"
