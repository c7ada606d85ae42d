"""What days tell together: the longest spell without a full bank, a wet day's yield, curves by solar time."""

from datetime import date, timedelta

from monitor.sun.book import DayEntry, longest_spell, wet_yield
from monitor.sun.level import Level
from monitor.sun.sky import DaySky
from monitor.sun.taken import Left
from monitor.sun.yields import Energies
from tests.unit.sun_world import days_from

FIRST = date(2026, 11, 1)


def entry(day, *, full=None, sky="clear", allowed_Wh=None):
    left = None if allowed_Wh is None else Left(0.0, allowed_Wh, 10.0)
    told = DaySky(sky, 0.5, 1.0, 1.0, 900, ())
    level = Level(1.0, 0.02, 5)
    return DayEntry(day, told, level, None, 1000.0, left, None, None, None, full, Energies(None, None, None))


def book(*full):
    return [entry(day, full=was) for day, was in zip(days_from(FIRST, len(full)), full, strict=True)]


def test_the_longest_spell_runs_from_the_first_day_without_full_to_the_last():
    spell = longest_spell(book(True, False, False, True, False, False, False, True))
    assert (spell.first, spell.last, spell.days) == (date(2026, 11, 5), date(2026, 11, 7), 3)


def test_a_day_without_readings_ends_no_spell_and_begins_none():
    spell = longest_spell(book(True, None, False, None, False, None))
    assert (spell.first, spell.last, spell.days) == (date(2026, 11, 3), date(2026, 11, 5), 3)


def test_a_bank_that_was_full_each_day_has_no_spell():
    assert longest_spell(book(True, True, None, True)) is None


def test_a_wet_day_yields_the_mean_of_what_wet_days_allowed():
    skies = (("overcast", 300.0), ("dark", 100.0), ("clear", 1900.0), ("snow", 0.0), ("dark", None))
    entries = [
        entry(FIRST + timedelta(days=at), sky=sky, allowed_Wh=allowed_Wh)
        for at, (sky, allowed_Wh) in enumerate(skies)
    ]
    found = wet_yield(entries)
    assert (found.mean_Wh, found.sd_Wh, found.days) == (200.0, 100.0, 2)


def test_without_a_wet_day_nothing_is_said_of_one():
    assert wet_yield([entry(FIRST, sky="clear", allowed_Wh=1900.0)]) is None
