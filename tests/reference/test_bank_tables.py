"""The published relations of batteries, row by row.

Sources: [guide] a battery maker's guide for owners and its data sheet, [manual] another maker's manual and
articles, [TM10] and [TM5] the US Army's TM 10-6140-200-14 and TM 5-1185. 'read' was seen in a stored copy,
'read*' in a secondary source, 'computed' worked out from read numbers or a named formula, 'memory' not seen.
A row that the module itself holds is checked here by what follows from it: another table, another unit, a
stated example.
"""

import random

import pytest

from monitor.bank import tables
from monitor.site.chemistry import capacity_at_20_h

BLOCK = 6
"""Cells of a 12 V block."""


def fahrenheit(temperature_F):
    return (temperature_F - 32) / 1.8


# --- rest voltage and charge ---------------------------------------------------------------------------

# [guide] 80 °F: 12 V and 24 V rows read*, cell and specific gravity rows memory
GUIDE_ROWS = [
    # charge, 12 V block, 24 V bank, cell, specific gravity
    (1.0, 12.73, 25.46, 2.122, 1.277),
    (0.9, 12.62, 25.24, 2.103, 1.258),
    (0.8, 12.50, 25.00, 2.083, 1.238),
    (0.7, 12.37, 24.74, 2.062, 1.217),
    (0.6, 12.24, 24.48, 2.040, 1.195),
    (0.5, 12.10, 24.20, 2.017, 1.172),
    (0.4, 11.96, 23.92, 1.993, 1.148),
    (0.3, 11.81, 23.62, 1.969, 1.124),
    (0.2, 11.66, 23.32, 1.943, 1.098),
    (0.1, 11.51, 23.02, 1.918, 1.073),
]


@pytest.mark.parametrize(("charge", "block_V", "bank_V", "cell_V", "gravity"), GUIDE_ROWS)
def test_a_flooded_cells_rest_voltage_is_the_makers(charge, block_V, bank_V, cell_V, gravity):
    found_V = tables.rest_voltage_V("flooded", charge)
    assert found_V * BLOCK == pytest.approx(block_V, abs=1e-9)  # [guide] read*
    assert found_V * 2 * BLOCK == pytest.approx(bank_V, abs=1e-9)  # [guide] read*
    assert found_V == pytest.approx(cell_V, abs=0.001)  # [guide] memory
    assert tables.charge_at_rest("flooded", block_V / BLOCK) == pytest.approx(charge, abs=1e-9)


@pytest.mark.parametrize(("charge", "block_V", "bank_V", "cell_V", "gravity"), GUIDE_ROWS)
def test_the_makers_voltages_are_its_gravities_and_a_constant(charge, block_V, bank_V, cell_V, gravity):
    """Computed cross-check: every cell value is SG + 0.845 to 1 mV, every block value 6 cells to 4 mV."""
    assert tables.specific_gravity(charge) + 0.845 == pytest.approx(cell_V, abs=0.00101)
    assert (tables.specific_gravity(charge) + 0.845) * BLOCK == pytest.approx(block_V, abs=0.012)
    assert tables.specific_gravity(charge) == pytest.approx(gravity, abs=1e-9)
    assert tables.charge_by_gravity(gravity) == pytest.approx(charge, abs=1e-9)


@pytest.mark.parametrize(
    ("block_V", "lowest", "highest"),
    # a vehicle maker's bands of an AGM battery, read
    [(12.7, 0.75, 1.0), (12.45, 0.50, 0.75), (12.15, 0.25, 0.50), (11.9, 0.0, 0.25), (13.0, 1.0, 1.0)],
)
def test_an_agm_battery_lies_in_the_vehicle_makers_band(block_V, lowest, highest):
    assert lowest <= tables.charge_at_rest("agm", block_V / BLOCK) <= highest


@pytest.mark.parametrize(
    ("chemistry", "rows"),
    [  # common tables of the trade, memory
        ("agm", {1.0: 12.80, 0.75: 12.60, 0.5: 12.30, 0.25: 12.00, 0.0: 11.80}),
        ("gel", {1.0: 12.85, 0.75: 12.65, 0.5: 12.35, 0.25: 12.00, 0.0: 11.80}),
    ],
)
def test_agm_and_gel_follow_the_common_tables(chemistry, rows):
    for charge, block_V in rows.items():
        assert tables.rest_voltage_V(chemistry, charge) * BLOCK == pytest.approx(block_V, abs=1e-9)


@pytest.mark.parametrize(
    ("charge", "cell_V"),
    # computed with PyBaMM, parameter set Prada2013
    [
        (1.0, 3.600),
        (0.95, 3.316),
        (0.9, 3.314),
        (0.8, 3.310),
        (0.7, 3.274),
        (0.6, 3.269),
        (0.5, 3.266),
        (0.4, 3.253),
        (0.3, 3.206),
        (0.2, 3.169),
        (0.1, 2.978),
        (0.05, 2.785),
        (0.0, 2.000),
    ],
)
def test_a_lifepo4_cells_rest_voltage_is_the_computed_one(charge, cell_V):
    assert tables.rest_voltage_V("lifepo4", charge) == pytest.approx(cell_V, abs=1e-9)


def test_a_lifepo4_cell_hides_its_charge_in_a_few_millivolts():
    """Read off the computed table: 0.06 V from 90 to 40 %, 10 mV is 25 % of charge between 70 and 50 %."""
    voltage_V = tables.rest_voltage_V
    assert voltage_V("lifepo4", 0.9) - voltage_V("lifepo4", 0.4) == pytest.approx(0.06, abs=0.002)
    per_volt = 0.2 / (voltage_V("lifepo4", 0.7) - voltage_V("lifepo4", 0.5))
    assert 0.010 * per_volt == pytest.approx(0.25, abs=0.01)


@pytest.mark.parametrize(
    ("charge", "four_cells_V"), [(0.9, 13.3), (0.7, 13.2), (0.4, 13.1), (0.3, 13.0), (0.2, 12.9)]
)
def test_a_maker_type_chart_of_lifepo4_agrees_roughly(charge, four_cells_V):
    """A chart of the kind makers print, memory; another battery, and read in steps of 0.1 V."""
    assert 4 * tables.rest_voltage_V("lifepo4", charge) == pytest.approx(four_cells_V, abs=0.23)


# --- acid ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "rows"),
    [
        ("TM10", {1.0: 1.280, 0.75: 1.250, 0.5: 1.220, 0.25: 1.160}),  # [TM10] read
        ("TM5", {1.0: 1.280, 0.75: 1.250, 0.5: 1.220, 0.25: 1.190, 0.0: 1.130}),  # [TM5] read
    ],
)
def test_the_armys_acid_by_charge(table, rows):
    for charge, gravity in rows.items():
        assert tables.specific_gravity(charge, table) == pytest.approx(gravity, abs=1e-9)


@pytest.mark.parametrize(
    ("charge", "lowest", "highest"),
    # [manual] bands at 80 °F, read
    [(1.0, 1.255, 1.275), (0.75, 1.215, 1.235), (0.5, 1.180, 1.200), (0.25, 1.155, 1.165), (0, 1.110, 1.130)],
)
def test_the_second_makers_acid_lies_in_its_bands(charge, lowest, highest):
    assert lowest <= tables.specific_gravity(charge, "manual") <= highest


def test_a_table_belongs_to_one_acid_strength():
    """Computed: at 50 % the army's acid and the maker's are 0.29 V apart on a 12 V block."""
    apart_V = BLOCK * (tables.specific_gravity(0.5, "TM10") - tables.specific_gravity(0.5, "guide"))
    assert apart_V == pytest.approx(0.29, abs=0.005)


@pytest.mark.parametrize(
    ("rule", "reading", "temperature_F", "at_80_F"),
    [
        ("guide", 1.250, 60, 1.242),  # [guide] 0.004 per 10 °F read, example computed
        ("guide", 1.250, 80, 1.250),
        ("guide", 1.250, 100, 1.258),
        ("manual", 1.250, 60, 1.244),  # [manual] 0.003 per 10 °F read, example computed
    ],
)
def test_a_hydrometers_reading_is_corrected_to_80_F(rule, reading, temperature_F, at_80_F):
    found = tables.corrected_gravity(reading, fahrenheit(temperature_F), rule)
    assert found == pytest.approx(at_80_F, abs=1e-9)


# --- freezing ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gravity", "temperature_F"),
    # [manual] °F column read; the module holds its °C column
    [
        (1.280, -92),
        (1.265, -72.3),
        (1.250, -62),
        (1.200, -16),
        (1.150, 5),
        (1.100, 19),
        (1.000, 32),  # [TM5] read; at 1.250 to 1.100 it has the same figures as [manual]
    ],
)
def test_electrolyte_freezes_where_maker_and_army_say(gravity, temperature_F):
    assert tables.freezing_point_C(gravity) == pytest.approx(fahrenheit(temperature_F), abs=0.6)


@pytest.mark.parametrize(
    ("gravity", "temperature_F"),
    # [TM10] and a vehicle maker's manual, read: other documents, other rounding, some degrees apart
    [(1.160, 1), (1.200, -17), (1.150, 5), (1.100, 18), (1.050, 27), (1.265, -75)],
)
def test_other_documents_freeze_within_a_few_degrees(gravity, temperature_F):
    assert tables.freezing_point_C(gravity) == pytest.approx(fahrenheit(temperature_F), abs=2.5)


@pytest.mark.parametrize(
    ("charge", "freezes_C"),
    # [guide] gravity × [manual] freezing column, computed
    [
        (1.0, -66.7),
        (0.9, -55.0),
        (0.8, -46.1),
        (0.7, -35.4),
        (0.6, -25.5),
        (0.5, -20.1),
        (0.4, -14.7),
        (0.3, -10.9),
        (0.2, -7.1),
        (0.1, -5.3),
    ],
)
def test_a_bank_freezes_by_its_charge_on_the_cautious_row(charge, freezes_C):
    assert tables.freezing_point_at_C(charge) == pytest.approx(freezes_C, abs=0.06)


def test_the_makers_own_examples_of_freezing():
    at_C = tables.freezing_point_at_C
    assert at_C(0.5) == pytest.approx(-20, abs=0.5)  # [manual] a 50 % bank may freeze at -20 °C, read
    assert at_C(1.0) == pytest.approx(-65, abs=2)  # [manual] full about -65 °C, read
    assert at_C(0.0) == 0  # [manual] empty just below 0 °C, read
    assert at_C(0.5, "TM10") == pytest.approx(-35, abs=3)  # army acid at 50 %, [TM10] -31 °F, read


def test_less_charge_never_freezes_later_than_more():
    seed = random.randrange(2**32)
    rng = random.Random(seed)
    for _ in range(500):
        low, high = sorted((rng.uniform(-0.1, 1.1), rng.uniform(-0.1, 1.1)))
        for table in tables.SPECIFIC_GRAVITY:
            lower, higher = (tables.freezing_point_at_C(charge, table) for charge in (low, high))
            assert lower >= higher - 1e-9, (seed, table, low, high)


@pytest.mark.parametrize("gravity", [0.9, 1.31, float("nan")])
def test_what_is_no_acid_is_refused(gravity):
    with pytest.raises(ValueError, match="specific gravity"):
        tables.freezing_point_C(gravity)


# --- temperature and rate ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temperature_F", "multiplier", "percent"),
    # worksheets of the trade, two copies read; percent computed as 1/multiplier
    [
        (80, 1.00, 100),
        (70, 1.04, 96.2),
        (60, 1.11, 90.1),
        (50, 1.19, 84.0),
        (40, 1.30, 76.9),
        (30, 1.40, 71.4),
        (20, 1.59, 62.9),
    ],
)
def test_a_cold_bank_gives_the_worksheets_share(temperature_F, multiplier, percent):
    share = tables.capacity_share(fahrenheit(temperature_F))
    assert share == pytest.approx(percent / 100, abs=5e-4)
    assert 1 / share == pytest.approx(multiplier, abs=1e-9)


def test_the_army_takes_75_percent_at_freezing_and_40_at_0_F():
    assert tables.capacity_share(0.0, "TM10") == 0.75  # [TM10] read, 6-hour rate
    assert tables.capacity_share(fahrenheit(0), "TM10") == pytest.approx(0.40)  # [TM10] read
    # another maker's method agrees with the worksheet at freezing within the tables' own disagreement
    assert tables.capacity_share(0.0) == pytest.approx(0.75, abs=0.04)


def test_warmth_is_no_gain_and_colder_than_the_table_is_unknown():
    assert tables.capacity_share(45.0) == 1.0
    assert tables.capacity_share(-10.0) is None
    assert tables.capacity_share(-25.0, "TM10") is None


@pytest.mark.parametrize(
    ("current_A", "hours", "effective_Ah"),
    # worked example H = 20 h, C = 100 Ah, k = 1.2, computed; the 25 A row also read*
    [(5, 20.0, 100.0), (10, 8.7055, 87.055), (25, 2.8991, 72.478), (50, 1.2619, 63.096)],
)
def test_peukerts_worked_example(current_A, hours, effective_Ah):
    found_h = tables.peukert_h(current_A, capacity_Ah=100, rate_h=20, exponent=1.2)
    assert found_h == pytest.approx(hours, abs=5e-5)
    assert current_A * found_h == pytest.approx(effective_Ah, abs=5e-4)


@pytest.mark.parametrize(("hours", "rated_Ah"), [(5, 271), (10, 304), (20, 330), (100, 367)])
def test_a_golf_car_batterys_capacity_at_its_rates(hours, rated_Ah):
    """maker's data sheet, read. From 330 Ah at 20 h, within 2 % in the middle where one exponent bends."""
    found_Ah = tables.effective_capacity_Ah("flooded", 330, rated_Ah / hours)
    assert found_Ah == pytest.approx(rated_Ah, rel=0.02)


@pytest.mark.parametrize("current_A", [10.0, 16.5, 35.0])
def test_a_capacity_carried_to_a_rate_and_back_is_the_same(current_A):
    found_Ah = tables.effective_capacity_Ah("flooded", 330, current_A)
    assert capacity_at_20_h("flooded", found_Ah, found_Ah / current_A) == pytest.approx(330)


@pytest.mark.parametrize("current_A", [1.0, 100.0])
def test_no_effective_capacity_where_no_published_value_carries_it(current_A):
    """330 Ah at C/330 (a hut's small load) and at about C/3: outside 5 to 100 h."""
    assert tables.effective_capacity_Ah("flooded", 330, current_A) is None


@pytest.mark.parametrize("current_A", [0.0, -5.0, float("nan")])
def test_a_current_that_is_none_is_refused(current_A):
    with pytest.raises(ValueError, match="above 0 A"):
        tables.peukert_h(current_A, capacity_Ah=100, rate_h=20, exponent=1.2)
    with pytest.raises(ValueError, match="above 0 A"):
        tables.absorption_h("flooded", 100, current_A)


# --- charging and standing -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chemistry", "capacity_Ah", "charge_A", "hours", "last_digit"),
    # [manual] examples read, recomputed
    [
        ("flooded", 1640, 164, 4.20, 0.005),
        ("flooded", 1640, 120, 5.75, 0.011),
        ("flooded", 1706, 120, 5.97, 0.005),
        ("agm", 830, 166, 1.90, 0.005),
        ("agm", 830, 120, 2.6, 0.05),
    ],
)
def test_absorption_lasts_as_in_the_manuals_examples(chemistry, capacity_Ah, charge_A, hours, last_digit):
    assert tables.absorption_h(chemistry, capacity_Ah, charge_A) == pytest.approx(hours, abs=last_digit)


def test_no_absorption_time_where_none_is_published():
    assert tables.absorption_h("gel", 100, 10) is None
    assert tables.absorption_h("lifepo4", 100, 10) is None


def test_self_discharge_lies_in_the_published_spans():
    per_month = tables.self_discharge_per_month
    assert 0.10 <= per_month("flooded", 25) <= 0.12  # [manual] read
    assert all(0.05 <= per_month("flooded", celsius) <= 0.15 for celsius in (15, 25, 29))  # [guide] read
    assert all(0.01 <= per_month(kind, 25) <= 0.03 for kind in ("agm", "gel"))  # memory
    assert per_month("agm", 35) == pytest.approx(2 * per_month("agm", 25))  # memory


def test_a_stored_wet_batterys_gravity_falls_as_the_army_says():
    """[TM5] read: about 0.001 a day over a month below 80 °F."""
    lost = tables.self_discharge_per_month("flooded", fahrenheit(75))
    fall = tables.specific_gravity(1.0, "TM5") - tables.specific_gravity(1.0 - lost, "TM5")
    fall_trj = tables.specific_gravity(1.0) - tables.specific_gravity(1.0 - lost)
    assert 0.010 <= fall <= 0.030
    assert fall_trj == pytest.approx(0.030, abs=0.012)


# --- outside the tables --------------------------------------------------------------------------------


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel", "lifepo4"])
def test_outside_a_table_its_end_row_holds(chemistry):
    lowest, highest = tables.REST_VOLTAGE[chemistry][0], tables.REST_VOLTAGE[chemistry][-1]
    assert tables.rest_voltage_V(chemistry, -1) == lowest[1]
    assert tables.rest_voltage_V(chemistry, 2) == highest[1]
    assert tables.charge_at_rest(chemistry, 0) == lowest[0]
    assert tables.charge_at_rest(chemistry, 9) == highest[0]


@pytest.mark.parametrize("chemistry", ["flooded", "agm", "gel", "lifepo4"])
def test_voltage_and_charge_turn_into_each_other(chemistry):
    seed = random.randrange(2**32)
    rng = random.Random(seed)
    lowest = tables.REST_VOLTAGE[chemistry][0][0]
    for _ in range(200):
        charge = rng.uniform(lowest, 1)
        there = tables.charge_at_rest(chemistry, tables.rest_voltage_V(chemistry, charge))
        assert there == pytest.approx(charge, abs=1e-6), seed
