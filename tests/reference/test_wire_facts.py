"""Voltage drop, conductors and fuses beside published tables and worked examples.

'read' was seen in a stored copy of the named document, 'secondary source' in another that names it,
'computed' worked out from such numbers, 'from memory' not seen.
"""

from __future__ import annotations

from math import pi

import pytest

from monitor.wire.copper import CARRIES_A, GAUGES, METRIC, Conductor, gauge_mm2
from monitor.wire.fuses import BRIGHT_SUN, fuse_for, largest_fuse
from monitor.wire.run import Run, drop_V, fit, smallest
from monitor.wire.told import Strings

CIRCULAR_MIL_MM2 = pi / 4 * 0.0254**2
"""The area of a circle of a thousandth of an inch across: its definition."""

COPPER_OHM_MM2_PER_M = 0.017241
"""IEC 60028, annealed copper at 20 °C: 1/58."""

FOOT_M = 0.3048


def named(name: str) -> Conductor:
    (found,) = (size for size in (*METRIC, *GAUGES) if size.name == name)
    return found


@pytest.mark.parametrize(
    ("gauge", "circular_mils"),
    # NEC chapter 9 table 8, rounded to 10 circular mils (secondary source)
    [(14, 4110), (12, 6530), (10, 10380), (8, 16510), (6, 26240), (4, 41740), (2, 66360), (-3, 211600)],
)
def test_a_gauges_cross_section_is_the_code_s(gauge: int, circular_mils: int) -> None:
    assert gauge_mm2(gauge) / CIRCULAR_MIL_MM2 == pytest.approx(circular_mils, abs=15)


@pytest.mark.parametrize("size", GAUGES, ids=lambda size: size.name)
def test_a_stranded_gauge_has_a_little_more_resistance_than_solid_copper(size: Conductor) -> None:
    # resistivity and 0.00393 per °C of annealed copper (IEC 60028), cross-section by ASTM B258; strands are
    # laid some 2 % longer: the code's own solid rows 12, 10 and 8 (1.93, 1.21, 0.764 ohm per 1000 ft,
    # secondary source) are 2 to 3 % below its stranded ones
    solid_75 = 1000 * COPPER_OHM_MM2_PER_M * (1 + 0.00393 * 55) / size.area_mm2
    assert 1.01 < size.ohm_per_km(75) / solid_75 < 1.03


@pytest.mark.parametrize("size", METRIC, ids=lambda size: size.name)
def test_a_flexible_metric_wire_has_more_resistance_than_its_name_but_not_much(size: Conductor) -> None:
    # IEC 60228 fixes the most resistance and not the area; thin strands get more allowance than thick ones
    ideal = 1000 * COPPER_OHM_MM2_PER_M / size.area_mm2
    assert 1.0 < size.ohm_per_km(20) / ideal < 1.17


def test_resistance_goes_with_temperature_as_the_code_notes() -> None:
    # NEC chapter 9 table 8, note: R75 (1 + 0.00323 (T - 75)), secondary source; for 6 mm2 the coefficient of
    # annealed copper: 1 + 0.00393 × 55 = 1.21615 (computed). Both are of one copper, so that from 75 to
    # 20 °C they change by the same share
    awg, metric = named("AWG 10"), named("6 mm²")
    assert awg.ohm_per_km(20) / awg.ohm_per_km(75) == pytest.approx(1 / 1.21615, abs=0.0005)
    assert awg.ohm_per_km(25) == pytest.approx(1.24 / FOOT_M * (1 - 0.00323 * 50), rel=1e-9)
    assert metric.ohm_per_km(75) == pytest.approx(3.30 * 1.21615, rel=1e-6)


@pytest.mark.parametrize(
    ("area_mm2", "length_m", "current_A", "voltage_V", "lost_V", "lost_percent", "lost_W"),
    # computed by I R' 2 l with ideal copper at 20 °C
    [
        (6, 4, 10, 12, 0.2299, 1.916, 2.30),
        (2.5, 5, 5, 12, 0.3448, 2.874, 1.72),
        (10, 3, 20, 24, 0.2069, 0.862, 4.14),
    ],
)
def test_voltage_drop_of_ideal_copper(
    area_mm2: float,
    length_m: float,
    current_A: float,
    voltage_V: float,
    lost_V: float,
    lost_percent: float,
    lost_W: float,
) -> None:
    ideal = Conductor("ideal", area_mm2, 1000 * COPPER_OHM_MM2_PER_M / area_mm2, 20.0, 0.00393)
    found = fit(Run(current_A, length_m, voltage_V, 0.03, 20.0), ideal)
    assert found.drop_V == pytest.approx(lost_V, abs=0.0001)
    assert 100 * found.drop == pytest.approx(lost_percent, abs=0.001)
    assert found.loss_W == pytest.approx(lost_W, abs=0.005)


def test_voltage_drop_of_wires_off_the_reel() -> None:
    # computed with IEC 60228 class 5 (3.30 ohm/km, secondary source) and NEC's AWG 10 (1.24 ohm per 1000 ft)
    assert drop_V(10, named("6 mm²").ohm_per_km(20), 4) == pytest.approx(0.2640, abs=0.0001)
    assert drop_V(20, named("AWG 10").ohm_per_km(75), 25 * FOOT_M) == pytest.approx(1.240, abs=0.0001)


@pytest.mark.parametrize(("allowed", "awg"), [(0.03, "AWG 4"), (0.10, "AWG 10")])
def test_the_boats_standard_s_example_comes_out(allowed: float, awg: str) -> None:
    # ABYC E-11, worked example (secondary source): 20 A, 25 ft one way, 12 V: 29 861 circular mils at 3 %,
    # so AWG 4 since AWG 6 has 26 251; 8 958 at 10 %, so AWG 10. Its constant 10.75 is copper at 29.3 °C
    # (computed)
    run = Run(20, 25 * FOOT_M, 12, allowed, 29.3)
    found = smallest(run, GAUGES, must_carry_A=20)
    assert found is not None
    assert found.conductor.name == awg


def test_the_cautious_table_of_what_a_wire_carries_is_below_the_other() -> None:
    # ABYC E-11, 105 °C insulation, outside an engine's room (secondary source)
    boats_A = {14: 35, 12: 45, 10: 60, 8: 80, 6: 120, 4: 160, 2: 210, 1: 245, -1: 330, -3: 445}
    assert all(1.4 <= boats_A[gauge] / carries_A < 1.75 for gauge, carries_A in CARRIES_A.items())
    assert set(boats_A) == set(CARRIES_A)


@pytest.mark.parametrize(
    ("name", "carries_A"),
    # a battery maker's table of cables (read); 0.85 of it where it is hot: ABYC E-11 (secondary source)
    [("AWG 14", 25), ("AWG 10", 40), ("AWG 6", 75), ("AWG 2", 130), ("AWG 2/0", 195)],
)
def test_what_a_gauge_carries(name: str, carries_A: float) -> None:
    assert named(name).carries_A() == carries_A
    assert named(name).carries_A(hot_place=True) == pytest.approx(0.85 * carries_A)


def test_a_size_between_two_rows_counts_as_the_thinner_and_a_thin_one_is_unknown() -> None:
    assert named("4 mm²").carries_A() == 30  # between AWG 12 (3.31 mm2) and AWG 10 (5.26 mm2)
    assert named("AWG 3").carries_A() == 95  # as AWG 4
    assert named("1.5 mm²").carries_A() is None  # thinner than AWG 14 (2.08 mm2)


@pytest.mark.parametrize(
    ("isc_A", "strings", "circuit_A", "least_A", "fuse_A"),
    # computed by NEC 690.8 and 690.9 (secondary source)
    [(5.9, 1, 7.375, 9.219, 10), (9.2, 2, 23.0, 28.75, 30)],
)
def test_the_array_is_fused_by_125_percent_of_125_percent(
    isc_A: float, strings: int, circuit_A: float, least_A: float, fuse_A: int
) -> None:
    found = Strings(isc_A, strings)
    assert BRIGHT_SUN * isc_A * strings == pytest.approx(circuit_A, abs=0.001)
    assert strings * found.bears_A == pytest.approx(least_A, abs=0.001)
    assert fuse_for(strings * found.bears_A) == fuse_A


def test_fuses_come_in_sizes() -> None:
    # a load of 14 A: 17.5 A, so 20 A (NEC 240.6 sizes, from memory); a wire for 55 A outlives one of 50 A
    assert (fuse_for(1.25 * 14), largest_fuse(55)) == (20, 50)
    assert (fuse_for(20), fuse_for(20.01), fuse_for(251)) == (20, 25, None)
