"""Set points against temperature: V(T) = V25 + n_cells c (T - 25).

Rows computed from the slopes -5.0 mV/°C per cell (a maker's gel guide) and -4 (a maker's AGM manual)
and the flooded 14.8 V absorption of a data sheet.
"""

import pytest

from monitor.bank.setpoints import SetPoints

TABLE = [
    # V25, mV/°C per cell, {T: V}
    (14.8, -3, {-10: 15.43, 0: 15.25, 10: 15.07, 40: 14.53}),
    (14.8, -4, {-10: 15.64, 0: 15.40, 10: 15.16, 40: 14.44}),
    (14.8, -5, {-10: 15.85, 0: 15.55, 10: 15.25, 40: 14.35}),
    (14.4, -3, {-10: 15.03, 0: 14.85, 10: 14.67, 40: 14.13}),
    (14.4, -4, {-10: 15.24, 0: 15.00, 10: 14.76, 40: 14.04}),
    (14.4, -5, {-10: 15.45, 0: 15.15, 10: 14.85, 40: 13.95}),
]


@pytest.mark.parametrize(("at_25_V", "slope_mV", "row"), TABLE)
def test_the_published_rows_come_out(at_25_V, slope_mV, row):
    set_points = SetPoints(at_25_V, None, None, 6 * slope_mV / 1000)
    for temperature_C, voltage_V in row.items():
        assert set_points.at(temperature_C).absorption_V == pytest.approx(voltage_V, abs=0.005)


@pytest.mark.parametrize(("at_25_V", "slope_mV", "row"), TABLE)
def test_float_and_equalization_move_by_as_much_where_the_controller_has_them(at_25_V, slope_mV, row):
    set_points = SetPoints(at_25_V, at_25_V - 1.3, at_25_V + 0.7, 6 * slope_mV / 1000)
    for temperature_C, voltage_V in row.items():
        moved = set_points.at(temperature_C)
        assert moved.float_V == pytest.approx(voltage_V - 1.3, abs=0.005)
        assert moved.equalization_V == pytest.approx(voltage_V + 0.7, abs=0.005)
    without = SetPoints(at_25_V, None, None, 6 * slope_mV / 1000).at(40.0)
    assert (without.float_V, without.equalization_V) == (None, None)
