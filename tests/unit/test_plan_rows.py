"""The page 'Plan': declared loads by branch beside what was used. The loads and days are invented."""

import json
import re
from contextlib import closing
from datetime import date, timedelta

import pytest

from dashboard import local
from dashboard.forms import Mistyped
from dashboard.plan_rows import question_of, take_plan, unknown_use
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


def test_declared_loads_are_told_in_the_phones_numbers(tmp_path):
    local.use(local.Form(",", ".", 24, "dmy"))
    rows = [row for branch in plan_of(tmp_path, MARSH_HIDE + LOADS, []).branches for row in branch.loads]
    assert [(row.power, row.hours) for row in rows] == [("4 × 4 W", "4"), ("2,5 W", "2"), ("30 W", "0,5")]


def plan_of(folder, text, used_Wh, outlook=None, **asked):
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
        return take_plan(store, site, question_of(asked))


def test_loads_stand_under_their_branch_in_the_order_of_the_site_file(tmp_path):
    hide, pond = plan_of(tmp_path, MARSH_HIDE + LOADS, []).branches
    assert (hide.name, [load.name for load in hide.loads]) == ("hide", ["lamps", "radio"])
    assert (hide.loads[0].power, hide.loads[0].hours) == ("4 × 4 W", "4")
    # 4 lamps of 4 W for 4 h and 2.5 W for 2 h; a pump of 30 W for half an hour: power times time
    assert hide.energy_Wh == pytest.approx(4 * 4 * 4 + 2.5 * 2)
    assert pond.energy_Wh == pytest.approx(15.0)


def told(text):
    return text.replace("\N{NO-BREAK SPACE}", " ")


def lasting(plan):
    return [(told(each.now), told(each.then)) for each in plan.lasting]


def test_the_first_sentence_tells_how_long_the_bank_carries_the_loads(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [])
    # 84 Wh a day and 2 W around the clock: 132 Wh, at 12.43 V (the middle of the published rest voltages from
    # full to half) 10.6 Ah, and 11 % a month of standing 1.6 Ah: 225 Ah of 450 down to half last 18.4 nights
    assert (
        told(plan.sentence)
        == "The full bank carries the loads for 18.4 nights without any sun, down to the reserve of 50 %."
    )
    assert plan.beside[0] == "They take 132 Wh a day as declared, with what this computer takes."
    assert plan.used == ()
    assert plan.what_if == ""


def test_what_was_used_counts_where_it_is_more_than_declared(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [222.0])
    # 222 Wh through the load output and this computer's 48 Wh beside it: 270 Wh, at 12.43 V 21.7 Ah, with
    # standing 23.3 Ah of 225
    assert (
        told(plan.sentence)
        == "The full bank carries the loads for 9.6 nights without any sun, down to the reserve of 50 %."
    )
    assert plan.beside[0].startswith("They take 270 Wh a day as used, more than is declared")
    assert lasting(plan)[:3] == [("9.6 nights", ""), ("7.7 nights", ""), ("not known", "")]


def test_the_next_days_sun_is_the_outlooks(tmp_path):
    def day(gives_Wh):
        return {"array_gives_Wh": {"p10": 0.0, "p50": gives_Wh, "p90": gives_Wh}}

    # 12.2 Ah a day; 67 Wh into 13.4 V are 5 Ah, of which 0.98 x 0.90 reach the loads (SAND87-7023, secondary
    # source): 7.8 Ah are lacking. 80 % of 450 Ah are 135 Ah above half: 17.2 nights
    dull = plan_of(tmp_path, MARSH_HIDE + LOADS, [], {"soc": 0.8, "days": [day(67.0), day(67.0)]})
    assert lasting(dull)[2] == ("17.2 nights", "")
    bright = plan_of(tmp_path, MARSH_HIDE + LOADS, [], {"soc": 0.8, "days": [day(67.0), day(670.0)]})
    assert lasting(bright)[2] == ("the array keeps up", "")


def test_what_the_address_asks_stands_beside_what_is(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [], add="6 x 2 W lamps 4 h", batteries="1")
    # 180 Wh at 12.43 V and 2.4 Ah of standing of 675 Ah, down to half: 337.5 Ah over 16.9 Ah
    assert told(plan.what_if) == (
        "What if: lamps (6 × 2 W, 4 h), 1 more string of batteries, 48 Wh a day more. Then: 19.9 nights."
    )
    assert lasting(plan)[0] == ("18.4 nights", "19.9 nights")


@pytest.mark.parametrize(
    ("asked", "field", "said"),
    [
        ({"add": "lamps"}, "add", "'lamps' is no load; write it like '6 x 2 W lamps 4 h'"),
        ({"add": "2 W lamp 4 h" + " " * 200 + "x"}, "add", "at most 120 characters"),
        ({"panels": "-1"}, "panels", "a whole number from 0 to 40"),
        ({"batteries": "1e9"}, "batteries", "a whole number from 0 to 40"),
        ({"month": "13"}, "month", "from 1 to 12"),
    ],
)
def test_what_cannot_be_asked_is_told_with_its_field(asked, field, said):
    with pytest.raises(Mistyped, match=re.escape(said)) as refused:
        question_of(asked)
    assert refused.value.field == field


def test_one_meter_tells_branches_apart_only_where_there_is_one(tmp_path):
    both = plan_of(tmp_path, MARSH_HIDE + LOADS, [222.0])
    assert {branch.used for branch in both.branches} == {""}
    assert unknown_use(both.told["branches"]) == (
        "What each branch used is not known: one meter sees all branches together."
    )
    shunt = (MARSH_HIDE + LOADS.replace('"pond"', '"hide"')).replace('"controller"', '"shunt"')
    # a shunt sees this computer's 48 Wh, too
    assert [branch.used for branch in plan_of(tmp_path, shunt, [222.0]).branches] == ["used 174 Wh"]


def test_the_middle_day_stands_beside_what_is_declared(tmp_path):
    plan = plan_of(tmp_path, MARSH_HIDE + LOADS, [100.0, 900.0, None, 126.0])
    # 84 Wh are declared of what the load output sees
    assert [used for _, used in plan.used] == ["126 Wh, 1.5 times", "900 Wh, 10.7 times", "100 Wh, 1.2 times"]
    assert plan.beside[1] == (
        "Used were 126 Wh on the middle one of 3 days, 1.5 times what the declared loads take."
    )


def test_a_shunt_counts_this_computer_too(tmp_path):
    text = (MARSH_HIDE + LOADS).replace('level = "controller"', 'level = "shunt"')
    plan = plan_of(tmp_path, text, [264.0])
    # 84 Wh and 2 W around the clock make 132 Wh
    assert "2.0 times what the declared loads and this computer take" in plan.beside[1]


@pytest.mark.parametrize(("level", "words"), [("charging", "not known"), ("controller", "past it")])
def test_it_says_what_the_metering_cannot_see(tmp_path, level, words):
    text = MARSH_HIDE.replace('level = "controller"', f'level = "{level}"')
    plan = plan_of(tmp_path, text, [])
    assert plan.sentence == "No load is declared yet."
    assert words in " ".join(plan.beside)
