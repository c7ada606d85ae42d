"""The page 'Plan': declared loads by branch beside what was used. The loads and days are invented."""

import json
from contextlib import closing
from datetime import date, timedelta

import pytest

from dashboard import local
from dashboard.plan_rows import branches_of, take_plan
from monitor.clock import CLOCK_NOTE, PacedClock
from monitor.day_book import note_key
from monitor.records import parse_iso
from monitor.site.load import load_site
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE, write

NOON = parse_iso("2026-11-25T12:00:00Z")
LOADS = """
[[loads]]
name = "lamps"
branch = "hide"
power_W = 4
count = 4
hours_per_day = 4

[[loads]]
name = "pump"
branch = "pond"
power_W = 30
hours_per_day = 0.5

[[loads]]
name = "radio"
branch = "hide"
power_W = 2.5
hours_per_day = 2
"""


@pytest.fixture(autouse=True)
def plain_afterwards():
    yield
    local.use(local.PLAIN)


def test_declared_loads_are_told_in_the_phones_numbers(tmp_path):
    local.use(local.Form(",", ".", 24, "dmy"))
    rows = [row for branch in branches_of(load_site(write(tmp_path, MARSH_HIDE + LOADS)).loads)
            for row in branch.loads]  # fmt: skip
    assert [(row.power, row.hours) for row in rows] == [("4 × 4 W", "4"), ("2,5 W", "2"), ("30 W", "0,5")]


def plan_of(folder, text, used_Wh):
    """The plan of a site in whose weather book stand the last days' use, newest last."""
    site = load_site(write(folder, text))
    with closing(open_writer(folder / "nightbank.db", "Europe/London")) as store:
        store.put_note(CLOCK_NOTE, PacedClock(NOON, NOON, 1e-9).note())
        for back, used in enumerate(reversed(used_Wh), start=1):
            day = date(2026, 11, 25) - timedelta(days=back)
            known = {"date": day.isoformat(), "sky": "clear", "harvest_Wh": 900.0, "clear_sky_Wh": 1000.0}
            more = {"unused_Wh": 0.0, "used_Wh": used, "battery_voltage_min_V": 12.3, "full": True}
            store.put_note(note_key(day), json.dumps(known | more))
        store.commit()
        return take_plan(store, site)


def test_loads_stand_under_their_branch_in_the_order_of_the_site_file(tmp_path):
    hide, pond = branches_of(load_site(write(tmp_path, MARSH_HIDE + LOADS)).loads)
    assert (hide.name, [load.name for load in hide.loads]) == ("hide", ["lamps", "radio"])
    assert (hide.loads[0].power, hide.loads[0].hours) == ("4 × 4 W", "4")
    # 4 lamps of 4 W for 4 h and 2.5 W for 2 h; a pump of 30 W for half an hour: power times time
    assert hide.energy_Wh == pytest.approx(4 * 4 * 4 + 2.5 * 2)
    assert pond.energy_Wh == pytest.approx(15.0)


def test_the_sentence_tells_the_sum_and_how_often_the_bank_holds_it(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [])
    # 84 Wh a day; 450 Ah at 12 V down to a reserve of half: 2700 Wh, 32.1 days of them
    assert plan.sentence == (
        "The declared loads take 84 Wh a day; down to its reserve the full bank holds 32.1 times that."
    )
    assert plan.used == ()


def test_the_middle_day_stands_beside_what_is_declared(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [100.0, 900.0, None, 126.0])
    assert [used for _, used in plan.used] == [126.0, 900.0, 100.0]
    assert plan.beside[0] == (
        "Used were 126 Wh on the middle one of 3 days, 1.5 times what the declared loads take."
    )


def test_a_shunt_counts_this_computer_too(tmp_path):
    text = (MARSH_HIDE + LOADS).replace('level = "controller"', 'level = "shunt"')
    plan = plan_of(tmp_path, text, [264.0])
    # 84 Wh and 2 W around the clock make 132 Wh
    assert "2.0 times what the declared loads and this computer take" in plan.beside[0]


@pytest.mark.parametrize(("level", "words"), [("charging", "not known"), ("controller", "past it")])
def test_it_says_what_the_metering_cannot_see(tmp_path, level, words):
    text = MARSH_HIDE.replace('level = "controller"', f'level = "{level}"')
    plan = plan_of(tmp_path, text, [])
    assert plan.sentence == "No load is declared yet."
    assert words in " ".join(plan.beside)
