"""What a controller holds: whether the voltage is held now, and what is learnt of its set points."""

from __future__ import annotations

import pytest

from monitor.bank.held import FALLEN, FARTHEST_V_PER_CELL, LEARN_AFTER_S, Held, HeldVoltage
from tests.unit.test_stage import BANK

CELLS = BANK.cells
ABSORPTION_V = BANK.set_points.absorption_V


def held(voltages_V: list[float], currents_A: list[float | None], step_s: float = 60.0) -> HeldVoltage:
    made = HeldVoltage(BANK, Held())
    for voltage_V, current_A in zip(voltages_V, currents_A, strict=True):
        made.follow(voltage_V, current_A, 25.0, step_s)
    return made


def test_a_flat_voltage_is_held_once_the_current_has_fallen_from_its_highest() -> None:
    minutes = round(LEARN_AFTER_S / 60) + 2
    made = held([ABSORPTION_V] * minutes, [20.0] * minutes)
    assert not made.regulated(20.0)
    assert made.regulated(FALLEN * 20.0 - 0.1)
    assert not made.regulated(FALLEN * 20.0 + 0.1)
    assert not made.regulated(None), "without a current nobody knows"


def test_the_current_counts_from_when_the_voltage_became_flat() -> None:
    minutes = round(LEARN_AFTER_S / 60) + 2
    made = held([ABSORPTION_V - 1.0] + [ABSORPTION_V] * minutes, [40.0] + [20.0] * minutes)
    assert not made.regulated(0.9 * 20.0), "40 A were taken at another voltage"


def test_a_voltage_that_moves_is_not_held_whatever_the_current_does() -> None:
    made = held([ABSORPTION_V - 0.05 * n for n in range(30, 0, -1)], [20.0] * 30)
    assert not made.regulated(1.0)


def test_a_meter_that_reads_low_lowers_what_absorption_is_taken_for_by_as_much_as_meters_explain() -> None:
    plain = HeldVoltage(BANK, Held())
    for off_V, explained_V in ((-0.05, 0.05), (-0.28, plain.wide_V)):
        low = HeldVoltage(BANK, Held(absorption_off_V=off_V, absorption_seen=1))
        low.follow(ABSORPTION_V, 10.0, 25.0, 60.0)
        assert 0.05 < plain.wide_V < 0.28
        assert low.now.absorption_V == pytest.approx(ABSORPTION_V + off_V)
        assert low.highest_absorption_V == pytest.approx(plain.highest_absorption_V - explained_V)


def test_what_is_learnt_of_a_set_point_is_bounded_by_what_a_mistyped_one_explains() -> None:
    made = HeldVoltage(BANK, Held())
    for _ in range(20):
        made.learn_absorption(ABSORPTION_V - 3.0)
        made.follow(ABSORPTION_V - 3.0, 10.0, 25.0, 60.0)
    assert made.held.absorption_off_V == pytest.approx(-FARTHEST_V_PER_CELL * CELLS)
