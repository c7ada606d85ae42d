"""The part of 'Care' on the monitor's time: who told it, and the form by which a phone tells it.

The phone's script fills in the phone's time at the moment of sending; without script it is typed. What is
left for the daemon is the difference to the computer's count since it was switched on, so that no waiting
spoils it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from dashboard.field import Field
from dashboard.forms import Hand, Mistyped, form, hidden, labelled
from dashboard.words import dated_text, span_text
from monitor.clock import CLOCK_NOTE, TIME_REQUEST, UNTOLD_NOTE, FollowedClock, clock_from_note
from monitor.clock.kernel import Kernel
from monitor.clock.steady import EARLIEST_MS, LATEST_MS, SOURCE_WORDS
from monitor.present import TIME_UNKNOWN
from monitor.records import Request, to_ms
from monitor.site.model import Site
from monitor.store.base import StoreReader

TELL, FORM = "/care/time", "time"
PHONE, TYPED, SURE = "phone_ms", "clock", "sure"
"""The form's fields: the phone's milliseconds since 1970, filled in by its script (assets/phone.js); a typed
local time; a word that readings of the future may be set aside."""

MIDDLE_MS = 30_000
"""Somebody who types hours and minutes means some moment of that minute (our choice: its middle)."""

UNTOLD = (
    "{count} readings are set aside: the computer was switched off before anybody had told the time. On the"
    " computer, “nightbank clock” lists them and says how to bring them back. A clock chip, a network, or a"
    " phone's time by day keeps it from coming again."
)

WHAT_HAPPENS = (
    "What has been read since the computer was switched on gets its time by it, the alarms' times follow, and"
    " the monitor goes on by it. The computer's own clock stays as it is, and no device is touched."
)


def clock_section(reader: StoreReader, site: Site, hand: Hand) -> list[Component]:
    """Who told the time, how well it is known, and where it may be told; nothing where the daemon has noted
    no time on this computer (a copy, a demo, a monitor that has not run)."""
    clock = clock_from_note(reader.note(CLOCK_NOTE))
    if not isinstance(clock, FollowedClock):
        return []
    course, now_ms = clock.course, clock.now_ms()
    if not clock.is_known:
        at = dated_text(now_ms, site.site.zone)
        told = [f"{TIME_UNKNOWN} It is {at} at the earliest."]
    else:
        source = SOURCE_WORDS.get(course.source, course.source)
        within = span_text(max(1000, round((clock.error_s or 0.0) * 1000)))
        told = [f"The monitor goes by the time of the {source}, right within {within}."]
        if course.disagrees:
            told.append(f"But {course.disagrees}. A phone's time settles it.")
    parts: list[Component] = [html.H2("The time"), *(html.P(each) for each in told)]
    untold = reader.note(UNTOLD_NOTE) or "0"
    if untold != "0":
        parts.append(html.P(UNTOLD.format(count=untold), className="quiet"))
    if hand.is_open:
        wrong = hand.fault is not None and hand.fault.field == TYPED
        opened = not clock.is_known or wrong or bool(course.disagrees)
        body = _form(hand, now_ms, site.site.time_zone)
        parts.append(html.Details([html.Summary("Tell the time"), body], open=opened, id="tell-time"))
    return [html.Section(parts, id="time")]


def _form(hand: Hand, now_ms: int, zone: str) -> Component:
    typed = Field(type="datetime-local", name=TYPED, value=hand.typed.get(TYPED, ""))
    sure = html.Label(
        [
            Field(type="checkbox", name=SURE, value="1"),
            " It is right even if readings were stamped later: set those aside.",
        ]
    )
    return form(
        TELL,
        hand.token(FORM, now_ms),
        [
            html.P(WHAT_HAPPENS, className="quiet"),
            hidden(PHONE, ""),
            html.Button("Take the time of this phone", className="main"),
            html.Details(
                [
                    html.Summary("Another time than this phone's"),
                    labelled("The time", typed, f"Local time of the site, {zone}; then the button above."),
                    sure,
                ],
                open=bool(hand.typed),
            ),
        ],
    )


def time_request(typed: Mapping[str, str], site: Site, now_ms: int) -> Request:
    """What is left for the daemon. Raises Mistyped for what is no time."""
    kernel = Kernel()
    count_ms = kernel.count_ms()
    told_ms = _told_ms(typed, site.site.zone)
    if not EARLIEST_MS <= told_ms < LATEST_MS:
        raise Mistyped(
            "A time before 2026 or after 2199 is not taken: look at the phone's clock, or type one.",
            TYPED,
        )
    details: dict[str, str | float | None] = {"offset_ms": float(told_ms - count_ms), "boot": kernel.boot}
    if typed.get(SURE) == "1":
        details["sure"] = 1.0
    return Request(now_ms, TIME_REQUEST, "", details, "the page")


def _told_ms(typed: Mapping[str, str], zone: ZoneInfo) -> int:
    text, phone = typed.get(TYPED, "").strip(), typed.get(PHONE, "").strip()
    if text:
        try:
            moment = datetime.fromisoformat(text)
            return to_ms(moment if moment.tzinfo else moment.replace(tzinfo=zone)) + MIDDLE_MS
        except (ValueError, OverflowError):
            raise Mistyped("Type the time such as 2026-11-25T19:30.", TYPED) from None
    if phone.isascii() and phone.isdecimal() and len(phone) <= 15:
        return int(phone)
    raise Mistyped("This phone has not told its time (that takes its script): type the time.", TYPED)
