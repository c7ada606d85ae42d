"""From rows to the steps of a day: means, widths, powers, stages, the signs of a full bank."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from monitor.bank.description import describe_site
from monitor.bank.stage import StageTracker
from monitor.local_days import local_day
from monitor.quantities import Stage
from monitor.site.load import load_site, with_defaults
from monitor.sun.gather import array_power_W, gather, step_of, used_W
from tests.unit.site_files import MARSH_HIDE

LONDON = ZoneInfo("Europe/London")
DAY = local_day(LONDON, date(2026, 6, 1))


@pytest.fixture(scope="module")
def bank(tmp_path_factory):
    path = tmp_path_factory.mktemp("site") / "site.toml"
    path.write_text(MARSH_HIDE, encoding="utf-8")
    return describe_site(with_defaults(load_site(path))[0])


def rows_every(seconds, span=DAY, **values):
    return [(at, dict(values)) for at in range(span.start_ms, span.end_ms, seconds * 1000)]


def gathered(bank, rows, spans=(DAY,), kind="mppt", level="controller"):
    return list(gather(rows, spans, StageTracker(bank), kind, level))


def test_a_step_holds_the_means_and_extremes_of_its_rows(bank):
    rows = rows_every(60, battery_voltage_V=12.6)
    for at, (_, row) in enumerate(rows):
        row["array_power_W"] = float(at % 5)
    (day,) = gathered(bank, rows)
    assert day.step_s == 300
    assert len(day.steps) == 288
    step = day.steps[100]
    assert (step.power_W, step.power_low_W, step.power_high_W) == (2.0, 0.0, 4.0)
    assert step.covered == pytest.approx(1.0)
    assert step.battery_voltage_V == pytest.approx(12.6)
    assert step.array_voltage_V is None


@pytest.mark.parametrize(
    ("interval_s", "step_s"),
    [(5, 300), (60, 300), (300, 300), (310, 300), (600, 600), (900, 900), (3600, 900)],
)
def test_steps_are_as_wide_as_the_record_asks_and_no_wider(interval_s, step_s):
    assert step_of(interval_s) == step_s


def test_a_day_has_as_many_steps_as_its_clock_has_and_gaps_stay_empty(bank):
    spring = local_day(LONDON, date(2026, 3, 29))
    rows = rows_every(300, spring, battery_voltage_V=12.6, array_power_W=10.0)
    del rows[50:60]
    (day,) = gathered(bank, rows, (spring,))
    assert len(day.steps) == 23 * 12
    assert [at for at, step in enumerate(day.steps) if step.power_W is None] == list(range(50, 60))
    assert day.steps[55].covered == 0.0


def test_days_without_any_row_are_there_with_empty_steps(bank):
    spans = [local_day(LONDON, date(2026, 6, day)) for day in (1, 2, 3)]
    rows = rows_every(300, spans[1], battery_voltage_V=12.6, array_power_W=10.0)
    days = gathered(bank, rows, spans)
    assert [day.span.day.day for day in days] == [1, 2, 3]
    assert [sum(step.power_W is not None for step in day.steps) for day in days] == [0, 288, 0]


def test_power_comes_from_what_was_read_in_this_order():
    # by hand: 18.0 V x 5.0 A, then 13.3 V x 6.0 A / 0.95 (conversion: common practice, no source)
    row = {
        "array_power_W": 91.0,
        "array_voltage_V": 18.0,
        "array_current_A": 5.0,
        "battery_voltage_V": 13.3,
        "charge_current_A": 6.0,
    }
    assert array_power_W(row, "mppt") == 91.0
    del row["array_power_W"]
    assert array_power_W(row, "mppt") == 90.0
    del row["array_current_A"]
    assert array_power_W(row, "mppt") == pytest.approx(84.0)
    assert array_power_W(row, "pwm") == pytest.approx(79.8)
    del row["charge_current_A"]
    assert array_power_W(row, "mppt") is None


def test_the_use_is_metered_or_what_is_given_less_what_the_bank_keeps():
    row = {
        "battery_voltage_V": 13.0,
        "load_current_A": 2.0,
        "charge_current_A": 10.0,
        "battery_current_A": 7.0,
    }
    assert used_W(row, "controller") == pytest.approx(26.0)
    assert used_W(row, "shunt") == pytest.approx(39.0)
    assert used_W(row, "charging") is None


def test_told_stages_are_kept_and_float_after_absorption_is_a_full_bank(bank):
    rows = rows_every(60, battery_voltage_V=14.8, charge_current_A=5.0, array_voltage_V=19.0)
    for at, (_, row) in enumerate(rows):
        row["charge_stage"] = 1.0 if at < 600 else 2.0 if at < 720 else 3.0
        row["battery_voltage_V"] = 14.8 if at < 720 else 13.5
    (day,) = gathered(bank, rows)
    assert day.full
    assert [day.steps[at].stage for at in (60, 130, 160)] == [Stage.BULK, Stage.ABSORPTION, Stage.FLOAT]


def test_a_bank_that_never_leaves_bulk_is_not_full(bank):
    rows = rows_every(
        60, battery_voltage_V=13.0, charge_current_A=5.0, array_voltage_V=19.0, charge_stage=1.0
    )
    (day,) = gathered(bank, rows)
    assert not day.full
