"""The page 'Plan': declared loads by branch beside what was used. The loads and days are invented."""

import json
from contextlib import closing
from datetime import date, timedelta

import pytest

from dashboard import local
from dashboard.pages.plan import nights_text
from dashboard.plan_rows import branches_of, take_plan
from monitor.clock import CLOCK_NOTE, PacedClock
from monitor.day_book import note_key
from monitor.outlook import OUTLOOK_NOTE
from monitor.records import iso_utc, parse_iso
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


def plan_of(folder, text, used_Wh, outlook=None):
    """The plan of a site in whose weather book stand the last days' use, newest last; outlook is of now."""
    site = load_site(write(folder, text))
    with closing(open_writer(folder / "nightbank.db", "Europe/London")) as store:
        store.put_note(CLOCK_NOTE, PacedClock(NOON, NOON, 1e-9).note())
        for back, used in enumerate(reversed(used_Wh), start=1):
            day = date(2026, 11, 25) - timedelta(days=back)
            known = {"date": day.isoformat(), "sky": "clear", "harvest_Wh": 900.0, "clear_sky_Wh": 1000.0}
            more = {"unused_Wh": 0.0, "used_Wh": used, "battery_voltage_min_V": 12.3, "full": True}
            store.put_note(note_key(day), json.dumps(known | more))
        if outlook is not None:
            store.put_note(OUTLOOK_NOTE, json.dumps({"at": iso_utc(NOON)} | outlook))
        store.commit()
        return take_plan(store, site)


def test_loads_stand_under_their_branch_in_the_order_of_the_site_file(tmp_path):
    hide, pond = branches_of(load_site(write(tmp_path, MARSH_HIDE + LOADS)).loads)
    assert (hide.name, [load.name for load in hide.loads]) == ("hide", ["lamps", "radio"])
    assert (hide.loads[0].power, hide.loads[0].hours) == ("4 × 4 W", "4")
    # 4 lamps of 4 W for 4 h and 2.5 W for 2 h; a pump of 30 W for half an hour: power times time
    assert hide.energy_Wh == pytest.approx(4 * 4 * 4 + 2.5 * 2)
    assert pond.energy_Wh == pytest.approx(15.0)


def test_the_sentence_tells_the_sum_and_how_long_the_bank_carries_it(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [])
    # 84 Wh a day and 2 W around the clock: 132 Wh; 450 Ah at 12 V down to half: 2700 Wh, 20.5 days
    assert plan.sentence == (
        "The declared loads and this computer take 132 Wh a day; the full bank carries that for 20.5 nights"
        " without any sun."
    )
    assert plan.used == ()


def test_what_was_used_counts_where_it_is_more_than_declared(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [222.0])
    # 222 Wh through the load output and this computer's 48 Wh beside it: 270 Wh, ten times
    assert plan.sentence == (
        "The loads take about 270 Wh a day as used, more than is declared; the full bank carries that for"
        " 10.0 nights without any sun."
    )
    told = [(each.name, nights_text(each).replace("\N{NO-BREAK SPACE}", " ")) for each in plan.lasting]
    assert told == [("without_sun", "10.0 nights"), ("worn_out", "8.0 nights"), ("this_week", "not known")]


def test_the_next_days_sun_is_the_outlooks(tmp_path):
    def day(gives_Wh):
        return {"array_gives_Wh": {"p10": 0.0, "p50": gives_Wh, "p90": gives_Wh}}

    # 132 Wh a day are 11 Ah; 67 Wh into 13.4 V are 5 Ah, of which 0.98 x 0.90 reach the loads
    # (SAND87-7023, secondary source): 6.59 Ah are lacking. 80 % of 450 Ah are 135 Ah above half: 20.5 nights
    dull = plan_of(tmp_path, MARSH_HIDE + LOADS, [], {"soc": 0.8, "days": [day(67.0), day(67.0)]})
    assert [nights_text(each).replace("\N{NO-BREAK SPACE}", " ") for each in dull.lasting][2] == "20.5 nights"
    bright = plan_of(tmp_path, MARSH_HIDE + LOADS, [], {"soc": 0.8, "days": [day(67.0), day(670.0)]})
    assert [nights_text(each).replace("\N{NO-BREAK SPACE}", " ") for each in bright.lasting][
        2
    ] == "the array keeps up"


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
