"""Numbers, clock times and dates the way the person's own phone writes them; the words stay English. Pure.

A phone tells by a cookie how it writes them (assets/phone.js); each request sets the form for itself. Without
a cookie the language that is asked for tells (`languages`), and where that is not known the plain form
stands. Only pages are written so: documents for programs never.
"""

from __future__ import annotations

import re
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime, time

COOKIE = "form"

MARKS = {
    "p": ".",
    "c": ",",
    "s": "\N{NARROW NO-BREAK SPACE}",
    "a": "\N{RIGHT SINGLE QUOTATION MARK}",
    "n": "",
}
"""Marks as the cookie names them: point, comma, space, apostrophe, none."""

TOLD = re.compile(r"([pc])([pcsan])(12|24)(dmy|mdy|ymd)")
"""The cookie: decimal mark, mark between thousands, hours of the clock, order of day, month and year."""


@dataclass(frozen=True, slots=True)
class Form:
    """How a phone writes numbers and times. hours is 12 or 24, order 'dmy', 'mdy' or 'ymd'."""

    decimal: str = "."
    group: str = ","
    hours: int = 24
    order: str = "dmy"


PLAIN = Form()

_form: ContextVar[Form] = ContextVar("form", default=PLAIN)


def form_of(cookie: str | None) -> Form:
    """The form that a cookie tells, PLAIN where it tells none that can be."""
    told = TOLD.fullmatch(cookie or "")
    if told is None or told[1] == told[2]:
        return PLAIN
    return Form(MARKS[told[1]], MARKS[told[2]], int(told[3]), told[4])


def told(form: Form) -> str:
    """A form as the cookie tells it."""
    named = {mark: name for name, mark in MARKS.items()}
    return f"{named[form.decimal]}{named[form.group]}{form.hours}{form.order}"


def use(form: Form) -> None:
    """Write in this form from now on, in this request alone."""
    _form.set(form)


def present() -> Form:
    """The form in use."""
    return _form.get()


def marked(text: str) -> str:
    """A number as Python writes it ('1,240.5') with the marks of the form in use."""
    form = _form.get()
    return text.translate({ord(","): form.group, ord("."): form.decimal})


def clock(moment: datetime | time, *, seconds: bool = False) -> str:
    """A time of day: '20:31' or '8:31 pm', with its seconds where they are asked for."""
    rest = f"{moment:%M:%S}" if seconds else f"{moment:%M}"
    if _form.get().hours == 24:
        return f"{moment:%H}:{rest}"
    return f"{(moment.hour + 11) % 12 + 1}:{rest}\N{NO-BREAK SPACE}{'am' if moment.hour < 12 else 'pm'}"


def full_hour(hour: int) -> str:
    """An hour under a picture, as short as can be: '18:00' or '6 pm'."""
    text = clock(time(hour))
    return text if _form.get().hours == 24 else text.replace(":00", "")


def day_text(day: date, *, weekday: bool = False, year: bool = False, whole: bool = False) -> str:
    """A date: '3 Nov' or 'Nov 3', if asked for with its weekday, its year, or its month's whole name."""
    order = _form.get().order
    month = f"{day:%B}" if whole else f"{day:%b}"
    text = f"{day.day} {month}" if order == "dmy" else f"{month} {day.day}"
    if year:
        text = {"dmy": f"{text} {day.year}", "mdy": f"{text}, {day.year}", "ymd": f"{day.year} {text}"}[order]
    return f"{day:%a} {text}" if weekday else text


NUMBER = re.compile(
    r"(?<![\w.,:/@=#\\])(?<![\w.]-)(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?(?![\w/@:=\\]|[.,:-]\w)"
)
"""A number that stands by itself: no part of an address, a version, a date, a name or a path."""

CLOCK = re.compile(r"(?<![\w.:/@=-])([01]\d|2[0-3]):([0-5]\d)(?![\w:/@]|[.:-]\w)")
"""A time of day that stands by itself."""

MONTHS = {
    f"{date(2000, month, 1):{form}}": (month, form == "%B") for form in ("%b", "%B") for month in range(1, 13)
}
"""The months as sentences name them, short or whole."""

DATE = re.compile(
    rf"(?<![\w.,:/-])(\d{{1,2}}) ({'|'.join(sorted(MONTHS, key=len, reverse=True))}) (\d{{4}})(?![\w:/-])"
)
"""A day with its month's name and its year."""

VERSION = re.compile(r"(?:\b(?:version|release|revision|firmware|python)|\bv|\brev)\.? $", re.IGNORECASE)
"""What comes before a number with a point that is none."""


def in_form(text: str) -> str:
    """A sentence that came ready-made, its numbers, clock times and dates in the form in use."""
    if _form.get() == PLAIN:
        return text

    def dated(found: re.Match[str]) -> str:
        month, is_whole = MONTHS[found[2]]
        try:
            day = date(int(found[3]), month, int(found[1]))
        except ValueError:
            return found[0]
        return day_text(day, year=True, whole=is_whole)

    def number(found: re.Match[str]) -> str:
        return found[0] if VERSION.search(text[: found.start()]) else marked(found[0])

    numbers = NUMBER.sub(number, DATE.sub(dated, text))
    return CLOCK.sub(lambda found: clock(time(int(found[1]), int(found[2]))), numbers)
