"""The charge stage read from voltage, current and set points."""

import pytest

from monitor.bank.stage import SetPoints, detect_stage
from monitor.quantities import Stage

SET = SetPoints(absorption_V=14.8, float_V=13.5, equalization_V=15.5, compensation_V_per_C=-0.030)


def stage(voltage_V, current_A, before=Stage.OFF, temperature_C=25.0):
    return detect_stage(
        voltage_V, current_A, temperature_C, set_points=SET, cells=6, capacity_Ah=450, before=before
    )


@pytest.mark.parametrize(
    ("voltage_V", "current_A", "before", "expected"),
    [
        (12.6, 0.0, Stage.OFF, Stage.OFF),
        (13.2, 20.0, Stage.OFF, Stage.BULK),
        (14.8, 12.0, Stage.BULK, Stage.ABSORPTION),
        (13.5, 3.0, Stage.ABSORPTION, Stage.FLOAT),
        (13.5, 0.2, Stage.FLOAT, Stage.FLOAT),
        (15.5, 6.0, Stage.ABSORPTION, Stage.EQUALIZATION),
        (13.0, 15.0, Stage.FLOAT, Stage.BULK),
        (12.8, 0.0, Stage.FLOAT, Stage.OFF),
    ],
)
def test_each_stage_is_told(voltage_V, current_A, before, expected):
    assert stage(voltage_V, current_A, before) is expected


def test_passing_the_float_voltage_on_the_way_up_is_bulk():
    assert stage(13.5, 20.0, before=Stage.BULK) is Stage.BULK


def test_a_cold_bank_is_held_higher_before_it_counts_as_absorption():
    assert stage(14.8, 12.0, before=Stage.BULK, temperature_C=0.0) is Stage.BULK
    assert stage(15.5, 12.0, before=Stage.BULK, temperature_C=0.0) is Stage.ABSORPTION


def test_an_unknown_temperature_is_taken_as_the_set_points_own():
    assert SET.at(None) == SET
