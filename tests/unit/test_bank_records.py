"""The records of tests/banks: what the meters kept agrees with what the plant did."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace

import pytest

from tests.banks.library import NAMES, SITES
from tests.banks.site import Gap, Meters, bank_toml, read, run, write
from tests.banks.stored import load
from tests.bench.charge_error import described


def bank_cell_V(site):
    return 3.2 if site.claims.chemistry == "lifepo4" else 2.0


SHORT = replace(SITES["hut_flooded_12"], days=3, gaps=(Gap(1.0, 6, lost=True), Gap(2.5, 2)))


@pytest.fixture(scope="module")
def course():
    return run(SHORT)


def test_a_site_runs_the_same_twice(course):
    assert run(SHORT) == course


def test_the_library_spans_what_it_should():
    sites = [SITES[name] for name in NAMES]
    assert len(sites) >= 14
    assert {site.claims.chemistry for site in sites} == {"flooded", "agm", "gel", "lifepo4"}
    assert {site.meters.level for site in sites} == {"shunt", "controller", "charging"}
    assert {site.meters.poll_s for site in sites} == {10, 60, 300}
    assert {round(site.claims.unit_voltage_V * site.claims.units_in_series / 12) for site in sites} == {
        1,
        2,
        4,
    }
    assert min(site.days for site in sites) >= 10
    assert max(site.days for site in sites) == 60
    for site in sites:
        true_Ah = load(site.name)[0].capacity_Ah if site.stored else site.bank().capacity_Ah
        assert 75 <= true_Ah <= 450
        # no claim is more than a third too high at the temperature of the start
        assert true_Ah / site.claims.rated_Ah > 0.5


@pytest.mark.parametrize("name", NAMES)
def test_every_bank_file_is_one_that_the_monitor_reads(name):
    bank = described(bank_toml(SITES[name], "coarse"))
    site = SITES[name]
    assert bank.cells * bank_cell_V(site) == pytest.approx(
        site.claims.unit_voltage_V * site.claims.units_in_series
    )
    if not site.stored:
        assert bank.cells == site.bank().cells
    assert bank.meters.voltage_step_V == 0.1


def test_gaps_have_no_rows_and_what_is_lost_is_marked_once(course):
    kept = read(SHORT, course, "fine")
    times = [(row.time_ms - course[0].time_ms) / 86_400_000 for row in kept.rows]
    assert not any(1.0 <= day < 1.25 or 2.5 <= day < 2.5 + 2 / 24 for day in times)
    restarts = [day for day, row in zip(times, kept.rows, strict=True) if row.restart]
    assert restarts == [pytest.approx(1.25, abs=1 / 1440)]
    assert len(kept.rows) == len(kept.truth) == len(course) - 8 * 60
    assert all(row.time_ms == truth.time_ms for row, truth in zip(kept.rows, kept.truth, strict=True))


def test_meters_round_and_err_as_told(course):
    exact = replace(SHORT, gaps=(), meters=Meters("shunt"))
    fine, coarse = (read(exact, course, grade) for grade in ("fine", "coarse"))
    for now, near, far in zip(course, fine.rows, coarse.rows, strict=True):
        assert near.battery_current_A == pytest.approx(now.bank_A, abs=0.0051)
        assert far.battery_current_A == pytest.approx(now.bank_A, abs=0.051)
        assert near.battery_voltage_V == pytest.approx(now.voltage_V, abs=0.02)
        assert far.battery_voltage_V == pytest.approx(now.voltage_V, abs=0.07)
    wrong = read(
        replace(exact, meters=Meters("shunt", current_gain=1.01, current_offset_A=0.05)), course, "fine"
    )
    for now, row in zip(course, wrong.rows, strict=True):
        assert row.battery_current_A == pytest.approx(1.01 * now.bank_A + 0.05, abs=0.0051)


def test_currents_balance_and_the_levels_hide_what_they_should(course):
    for now in course:
        assert now.charge_A - now.metered_A - now.unmetered_A == pytest.approx(now.bank_A, abs=1e-9)
    for level, unseen in (
        ("shunt", lambda now: 0.0),
        ("controller", lambda now: now.unmetered_A),
        ("charging", lambda now: now.metered_A + now.unmetered_A),
    ):
        kept = read(replace(SHORT, gaps=(), meters=Meters(level)), course, "fine")
        assert [truth.unseen_load_A for truth in kept.truth] == [unseen(now) for now in course]
        assert (kept.rows[0].battery_current_A is None) == (level != "shunt")
        assert (kept.rows[0].load_current_A is None) == (level != "controller")


def test_a_record_is_written_as_a_person_would_hand_it_in(course, tmp_path):
    kept = read(SHORT, course, "coarse")
    write(kept, tmp_path)
    with (tmp_path / "measurements.csv").open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    with (tmp_path / "truth.csv").open(newline="") as handle:
        truth = list(csv.DictReader(handle))
    assert len(rows) == len(truth) == len(kept.rows)
    assert rows[0]["time"] == truth[0]["time"] == "2026-03-02T00:01:00Z"
    assert rows[0]["battery_current_A"] == ""
    assert sum(int(row["restart"]) for row in rows) == 1
    assert {row["stage"] for row in truth} <= {"off", "bulk", "absorption", "float", "equalization"}
    assert tomllib.loads((tmp_path / "BANK.toml").read_text())["bank"]["chemistry"] == "flooded"
