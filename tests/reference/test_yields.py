"""Yields and performance ratios against worked examples.

The definitions are those of IEC 61724-1 as a secondary source gives them; the temperature correction is from
memory. The examples' figures were computed by hand from the definitions.
"""

from __future__ import annotations

import pytest

from monitor.sun.yields import Energies, together, yields


def test_the_yields_and_ratios_of_the_worked_day():
    # P0 0.300 kW, Hi 4.20 kWh/m2, EA 0.98 kWh, Eout 0.80 kWh (computed)
    found = yields(Energies(4200.0, 980.0, 800.0), 300.0)
    assert found.reference_h == pytest.approx(4.200, abs=0.0005)
    assert found.array_h == pytest.approx(3.267, abs=0.0005)
    assert found.final_h == pytest.approx(2.667, abs=0.0005)
    assert found.capture_loss_h == pytest.approx(0.933, abs=0.0005)
    assert found.system_loss_h == pytest.approx(0.600, abs=0.0005)
    assert found.performance_ratio == pytest.approx(0.635, abs=0.0005)
    assert found.array_ratio == pytest.approx(0.778, abs=0.0005)


def test_a_week_is_the_sum_of_its_days_and_not_the_mean_of_their_ratios():
    # by hand: (900 + 100) Wh of (3000 + 1000) Wh/m2 at 500 W is 2.0 h of 4.0 h; the ratios' mean is 0.4
    days = [Energies(3000.0, 900.0, 900.0), Energies(1000.0, 100.0, 100.0)]
    assert yields(together(days), 500.0).performance_ratio == pytest.approx(0.5)
    assert sum(yields(day, 500.0).performance_ratio for day in days) / 2 == pytest.approx(0.4)


def test_a_day_without_readings_does_not_lower_the_week():
    known = Energies(3000.0, 900.0, 800.0)
    assert yields(together([known, Energies(None, None, None)]), 300.0) == yields(known, 300.0)


def test_what_is_unknown_stays_unknown():
    found = yields(Energies(4200.0, 980.0, None), 300.0)
    assert (found.final_h, found.system_loss_h, found.performance_ratio) == (None, None, None)
    assert found.array_ratio == pytest.approx(0.778, abs=0.0005)
    assert yields(Energies(0.0, 0.0, 10.0), 300.0).performance_ratio is None
