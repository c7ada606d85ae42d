"""Voltages of single batteries: how far they may differ, and which one is told to be out of step."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.care.due import by_voltages
from monitor.care.units import UnitVoltages, unit_count, unit_name, unit_words
from monitor.site.load import load_site
from monitor.site.model import Bank
from tests.unit.site_files import MARSH_HIDE, write


def bank_of(folder: Path, **changes: object) -> Bank:
    """The invented bank of two strings of two 6 V batteries, with some keys changed."""
    return load_site(write(folder, MARSH_HIDE)).bank.model_copy(update=changes)


def volts(bank: Bank, *read: float) -> UnitVoltages:
    return UnitVoltages(dict(enumerate(read, 1)), bank)


@pytest.mark.parametrize(
    ("unit_voltage_V", "in_series", "limit_V"),
    [(6.0, 2, 0.15), (12.0, 1, 0.30)],  # a battery maker's guide
)
def test_batteries_may_differ_as_far_as_a_makers_guide_allows(
    tmp_path: Path, unit_voltage_V: float, in_series: int, limit_V: float
) -> None:
    bank = bank_of(tmp_path, unit_voltage_V=unit_voltage_V, units_in_series=in_series)
    low = unit_voltage_V + 0.3
    assert volts(bank, low, low + limit_V).limit_V == pytest.approx(limit_V)
    assert not volts(bank, low, low + limit_V).is_uneven
    assert volts(bank, low, low + limit_V + 0.01).is_uneven


def test_the_one_far_from_all_others_is_out_of_step(tmp_path: Path) -> None:
    found = volts(bank_of(tmp_path), 6.30, 6.31, 6.10, 6.29)
    assert found.out_of_step == 3
    assert "differ by 0.21 V: more than the 0.15 V" in unit_words(found)
    assert "Out of step is string 2, battery 1 with 6.10 V." in unit_words(found)
    (reason,) = by_voltages(found)
    assert reason.days_left == 0
    assert "0.21 V, more than 0.15 V (a maker's guide)" in reason.words


def test_of_a_pair_that_differs_nobody_is_accused(tmp_path: Path) -> None:
    """In a string beside another a low battery lifts its neighbour: two are far off, one of them is weak."""
    bank = bank_of(tmp_path)
    for found in (volts(bank, 6.10, 6.50, 6.30, 6.30), volts(bank, 6.10, 6.40)):
        assert found.is_uneven
        assert found.out_of_step is None
        assert unit_words(found).endswith("The lowest is string 1, battery 1.")


def test_even_batteries_ask_for_nothing(tmp_path: Path) -> None:
    found = volts(bank_of(tmp_path), 6.30, 6.31, 6.29, 6.30)
    assert unit_words(found) == "4 batteries, 6.29 to 6.31 V; they differ by 0.02 V: even."
    assert list(by_voltages(found)) == []


def test_where_nothing_is_published_nothing_is_judged(tmp_path: Path) -> None:
    bank = bank_of(tmp_path, chemistry="lifepo4", unit_voltage_V=12.8, units_in_series=1)
    found = volts(bank, 13.30, 12.10)
    assert not found.is_uneven
    assert "no limit is published" in unit_words(found)


def test_batteries_are_named_by_what_there_is_more_than_one_of(tmp_path: Path) -> None:
    assert [unit_name(bank_of(tmp_path), number) for number in (1, 4)] == [
        "string 1, battery 1",
        "string 2, battery 2",
    ]
    assert unit_name(bank_of(tmp_path, strings_in_parallel=1), 2) == "battery 2"
    side_by_side = bank_of(tmp_path, unit_voltage_V=12.0, units_in_series=1)
    assert (unit_count(side_by_side), unit_name(side_by_side, 2)) == (2, "string 2")
