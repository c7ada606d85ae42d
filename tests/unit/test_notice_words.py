"""A notice's two lines: short enough for a lock screen, and nothing that matters is cut away.

The lengths are our choice (`monitor/notices/words.py`): 50 and 140 characters.
"""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.engine import first_state
from monitor.alarms.rule import Rule
from monitor.alarms.rules import rules_of
from monitor.alarms.telling import transition_text
from monitor.notices import words
from monitor.notices.words import TEXT_MOST, TITLE_MOST, Told
from monitor.records import Notice, parse_iso
from monitor.site.load import load_site, with_defaults
from tests.unit.site_files import changed, write

LONDON = ZoneInfo("Europe/London")
AT = parse_iso("2026-07-21T01:10:00Z")  # a Tuesday, 02:10 by the clock in summer
LOW = Told(
    "Low voltage",
    "urgent",
    AT,
    "Low voltage: the bank stands at 11.32 V, below 11.4 V (since 02:08) (after “Low charge”)",
    "Switch off every load that can wait now.",
    "Never charge a frozen battery: it can burst.",
)
text = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=300)


def test_title_says_what_how_bad_and_since_when_and_text_what_to_do_with_its_caution() -> None:
    title, said = words.raised(LOW, "Hut", LONDON)
    assert title == "Low voltage, urgent, since Tue 02:10 (Hut)"
    assert said == (
        "The bank stands at 11.32 V, below 11.4 V. Switch off every load that can wait now. "
        "Never charge a frozen battery: it can burst."
    )


def test_what_was_measured_is_shortened_at_a_comma_first_and_at_a_word_else() -> None:
    long = Told(
        "Low voltage",
        "urgent",
        AT,
        "Low voltage: the bank stands at 11.20 V, 0.20 V below the 11.40 V at which the loads go off",
        LOW.do_first,
        LOW.caution,
    )
    assert words.raised(long, "Hut", LONDON).text.startswith("The bank stands at 11.20 V. Switch off")
    one = Told("A", "urgent", AT, "A: " + "word " * 40, LOW.do_first, LOW.caution)
    assert words.raised(one, "Hut", LONDON).text.startswith(
        "Word word word word word word word word word word… Switch"
    )


def test_the_engines_own_words_of_since_when_are_not_said_twice() -> None:
    rule = Rule("Bench", "battery_voltage_V", "below", 11.4, 0.1, 0, 0, "high")
    before = first_state(rule.name, rule.priority, AT)
    verdict = rule.verdict(AT, 11.2)
    after = replace(before, state="unacknowledged", raised_ms=AT, text=verdict.text)
    said = transition_text(rule, before, after, "raised", AT, LONDON)
    assert "02:10" in said
    told = Told("Bench", "high", AT, said)
    assert words.raised(told, "Hut", LONDON).text == "11.2 V is below 11.4 V."


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel", "lifepo4"])
def test_every_shipped_rule_keeps_its_advice_and_the_heart_of_its_caution(tmp_path, chemistry) -> None:
    edits = (f'bank.chemistry = "{chemistry}"',)
    unit = ("bank.unit_voltage_V = 12.8", "bank.units_in_series = 1") if chemistry == "lifepo4" else ()
    site, _ = with_defaults(load_site(write(tmp_path, changed(*edits, *unit))))
    for rule in rules_of(site):
        measured = f"{rule.name}: {'a long sentence on what was measured, ' * 4}"
        told = Told(rule.name, rule.priority, AT, measured, rule.do_first, rule.caution)
        title, said = words.raised(told, site.site.name, LONDON)
        assert len(title) <= TITLE_MOST, rule.name
        assert len(said) <= TEXT_MOST, rule.name
        assert rule.do_first.rstrip(".") in said, rule.name
        assert rule.caution.split(":")[0].split(";")[0].split(". ")[0] in said, rule.name


@given(name=text, site=text, measured=text, first=text, caution=text)
def test_the_lines_are_never_longer(name: str, site: str, measured: str, first: str, caution: str) -> None:
    told = Told(name, "urgent", AT, measured, first, caution)
    for title, said in (
        words.raised(told, site, LONDON),
        words.again(told, 12, LONDON),
        words.returned(told, 3_600_000, site, LONDON),
        words.all_clear(told, site, LONDON),
        words.came_and_went(name, AT, AT, LONDON),
        words.store_fails(measured, site),
        words.test(site, "phone", AT, LONDON),
    ):
        assert 0 < len(title) <= TITLE_MOST
        assert 0 < len(said) <= TEXT_MOST


@given(names=st.lists(text, min_size=1, max_size=40))
def test_a_digest_takes_as_many_as_fit_and_at_least_one(names: list[str]) -> None:
    items = [
        Notice(AT, "alarm", name[:60], "high", "phone", "", "", "due", AT, id=number)
        for number, name in enumerate(names)
    ]
    (title, said), count = words.digest(items, "Marsh hide", LONDON)
    assert 1 <= count <= len(items)
    assert len(title) <= TITLE_MOST
    assert len(said) <= TEXT_MOST
    assert all(item.about in said for item in items[:count])


@pytest.mark.parametrize(
    ("span_min", "said"),
    [
        (0, "less than a minute"),
        (59, "59 min"),
        (60, "1 h 0 min"),
        (125, "2 h 5 min"),
        (1500, "1 day 1 h"),
        (4320, "3 days 0 h"),
    ],
)
def test_a_span_is_said_as_a_person_would(span_min: int, said: str) -> None:
    assert words.duration(span_min * 60_000) == said
