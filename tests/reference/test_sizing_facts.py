"""Sizes of bank, array and controller beside published values and facts of the trade.

[guide] is one battery maker's guide and data sheet, [manual] another's manual, [sheets] those of a maker of
AGM and gel batteries. They were seen unless 'secondary source' or 'from memory' stands beside a value.
"""

from __future__ import annotations

import random

import pytest

from monitor.site.amounts import amounts, cold_voc_factor
from monitor.site.chemistry import USUAL, capacity_at_20_h
from monitor.site.model import Array, Bank, Controller, Place, Site


def bank(**changes: object) -> Bank:
    """A flooded bank of one 6 V 225 Ah unit, with changes."""
    return Bank.model_validate(
        {"chemistry": "flooded", "unit_voltage_V": 6, "unit_capacity_Ah": 225, "units_in_series": 1} | changes
    )


def array(**changes: object) -> Array:
    """One 100 W panel, with changes."""
    plate = {
        "panel_power_W": 100,
        "panel_voc_V": 22,
        "panel_isc_A": 6,
        "panel_vmp_V": 18,
        "panel_imp_A": 5.56,
    }
    return Array.model_validate(plate | changes)


def site_of(bank: Bank, array: Array, kind: str = "mppt") -> Site:
    controller = Controller.model_validate({"kind": kind, "rating_A": 40, "array_voltage_limit_V": 100})
    place = Place(name="test", latitude_deg=47, longitude_deg=8, coldest_C=-10)
    return Site(site=place, bank=bank, array=array, controller=controller)


def test_two_six_volt_units_in_series_make_twelve_volts_at_unchanged_ampere_hours() -> None:
    # common practice, no source
    pair = bank(units_in_series=2)
    assert (pair.voltage_V, pair.capacity_Ah) == (12, 225)


def test_two_strings_in_parallel_double_the_ampere_hours_at_unchanged_voltage() -> None:
    # common practice, no source
    strings = bank(units_in_series=2, strings_in_parallel=2)
    assert (strings.voltage_V, strings.capacity_Ah, strings.energy_Wh) == (12, 450, 5400)


def test_two_like_panels_in_parallel_add_their_watts_at_unchanged_voltage() -> None:
    # common practice, no source
    one = amounts(site_of(bank(units_in_series=2), array())).array
    two = amounts(site_of(bank(units_in_series=2), array(strings_in_parallel=2))).array
    assert one is not None
    assert two is not None
    assert two.power_W == 2 * one.power_W
    assert (two.voc_V, two.vmp_V) == (one.voc_V, one.vmp_V)
    assert two.isc_A == 2 * one.isc_A


def test_two_like_panels_in_series_add_their_volts_at_unchanged_current() -> None:
    # common practice, no source
    one = amounts(site_of(bank(units_in_series=2), array())).array
    two = amounts(site_of(bank(units_in_series=2), array(panels_in_series=2))).array
    assert one is not None
    assert two is not None
    assert two.voc_V == 2 * one.voc_V
    assert (two.isc_A, two.power_W) == (one.isc_A, 2 * one.power_W)


def test_array_current_is_taken_at_125_percent_of_short_circuit_current() -> None:
    # common practice, no source: 5.6 A x 1.25 = 7.0 A
    figures = amounts(site_of(bank(units_in_series=2), array(panel_isc_A=5.6, panel_imp_A=5.2))).array
    assert figures is not None
    assert figures.isc_design_A == pytest.approx(7.0)


def test_series_and_parallel_of_random_banks_multiply() -> None:
    # common practice, no source; any system is its unit times its counts
    seed = 20261125
    dice = random.Random(seed)
    for _ in range(200):
        series, parallel, volts = dice.randint(1, 24), dice.randint(1, 6), dice.choice((2, 6, 8, 12))
        made = bank(unit_voltage_V=volts, units_in_series=series, strings_in_parallel=parallel)
        expected = (volts * series, 225 * parallel, series * volts // 2)
        assert (made.voltage_V, made.capacity_Ah, made.cells_in_series) == expected, f"seed {seed}"


@pytest.mark.parametrize(
    ("lowest_C", "highest_C", "factor"),
    [
        (20, 24, 1.02),
        (15, 19, 1.04),
        (10, 14, 1.06),
        (5, 9, 1.08),
        (0, 4, 1.10),
        (-5, -1, 1.12),
        (-10, -6, 1.14),
        (-15, -11, 1.16),
        (-20, -16, 1.18),
        (-25, -21, 1.20),
        (-30, -26, 1.21),
        (-35, -31, 1.23),
        (-40, -36, 1.25),
    ],
)
def test_cold_factors_on_open_circuit_voltage(lowest_C: int, highest_C: int, factor: float) -> None:
    # NEC Table 690.7(A), crystalline silicon (from memory)
    assert cold_voc_factor(lowest_C) == factor
    assert cold_voc_factor(highest_C) == factor


def test_the_codes_table_is_on_the_safe_side_of_the_published_coefficients() -> None:
    # Voc of crystalline silicon: -0.27 to -0.33 % per °C (secondary source); NEC table (from memory)
    for coldest_C in range(-40, 25):
        steepest = 1 + 0.0033 * (25 - coldest_C)
        assert steepest <= cold_voc_factor(coldest_C) <= steepest + 0.05, coldest_C


@pytest.mark.parametrize(
    ("rate_h", "rated_Ah", "exponent"), [(5, 271, 1.166), (10, 304, 1.166), (100, 367, 1.071)]
)
def test_capacity_at_other_rates_comes_near_the_makers_twenty_hour_figure(
    rate_h: float, rated_Ah: float, exponent: float
) -> None:
    # A flooded battery's data sheet [guide]: 271/304/330/367 Ah at 5/10/20/100 h. Exponents computed
    # from it (5-20 h 1.166; 20-100 h 1.071): 5 and 100 h meet the sheet to the rounding of k, 10 h to 2 %.
    estimate_Ah = capacity_at_20_h("flooded", rated_Ah, rate_h)
    assert estimate_Ah == pytest.approx(330, rel=0.02 if rate_h == 10 else 0.001)
    usual = USUAL["flooded"]
    assert (usual.peukert_shorter if rate_h < 20 else usual.peukert_longer) == exponent


@pytest.mark.parametrize("rate_h", [1, 3, 120, 240])
def test_no_conversion_where_no_published_value_carries_it(rate_h: float) -> None:
    # the sheet's rates end at 5 and 100 h [guide]
    assert capacity_at_20_h("flooded", 100, rate_h) is None


def test_default_set_points_of_a_twelve_volt_bank_are_the_published_ones() -> None:
    flooded, gel, agm = USUAL["flooded"], USUAL["gel"], USUAL["agm"]
    # flooded data sheet [guide]
    assert flooded.absorption.default_V * 6 == pytest.approx(14.8)
    assert flooded.float_charge.default_V * 6 == pytest.approx(13.2)
    assert flooded.equalization is not None
    assert flooded.equalization.default_V * 6 == pytest.approx(15.5)
    # gel guide [guide]
    assert gel.absorption.default_V * 6 == pytest.approx(14.40)
    assert gel.float_charge.default_V * 6 == pytest.approx(13.50)
    # AGM and gel data sheets [sheets]: cyclic 2.35, at most 2.40, float 2.25 to 2.30 V per cell; none
    assert 2.35 <= agm.absorption.default_V <= 2.40
    assert 2.25 <= agm.float_charge.default_V <= 2.30
    assert (gel.equalization, agm.equalization) == (None, None)


def test_default_compensation_is_the_published_one() -> None:
    # [guide]: 0.028 V per cell and 10 °F is -5.04 mV per cell and °C (computed)
    assert USUAL["flooded"].compensation_V_per_C == pytest.approx(-0.028 / 10 * 1.8, abs=1e-4)
    assert USUAL["gel"].compensation_V_per_C == -0.005  # [guide] gel
    assert USUAL["agm"].compensation_V_per_C == -0.004  # [manual] AGM


def test_disconnect_defaults_lie_where_the_manual_puts_them() -> None:
    # maker's manual: 1.90 to 1.95 V per cell; its article 1.85 to 1.95, and 1.75 is too low for life
    for chemistry in ("flooded", "agm", "gel"):
        point = USUAL[chemistry].disconnect
        assert 1.90 <= point.default_V <= 1.95
        assert point.usual_V[0] == 1.85


def test_usual_charge_rates_are_the_manuals() -> None:
    # maker's manual: flooded 10 % of C20, at least 5 %, at most 20 %; AGM 20 % recommended
    assert USUAL["flooded"].charge_rate == (0.05, 0.20)
    low, high = USUAL["agm"].charge_rate
    assert low <= 0.20 <= high


def test_the_sizing_examples_blocks() -> None:
    # Worked sizing example (computed): 220 Ah 6 V blocks, 3 parallel x 2 series -> 6 blocks, 660 Ah, 12 V
    blocks = bank(unit_capacity_Ah=220, units_in_series=2, strings_in_parallel=3)
    assert (blocks.voltage_V, blocks.capacity_Ah) == (12, 660)


def test_the_training_worksheets_bank() -> None:
    # 'Stand alone camp' worksheet: 478 Ah blocks, 6 parallel x 2 series -> 2868 Ah, 24 V, 68.8 kWh
    blocks = bank(unit_voltage_V=12, unit_capacity_Ah=478, units_in_series=2, strings_in_parallel=6)
    assert (blocks.voltage_V, blocks.capacity_Ah) == (24, 2868)
    assert blocks.energy_Wh / 1000 == pytest.approx(68.8, abs=0.05)
