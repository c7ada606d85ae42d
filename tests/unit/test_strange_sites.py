"""Sites unlike the usual one: where the sun stays away for months, where it never freezes, sealed banks, tiny
ones, high voltages. What care, plan and wire tell of them must hold there, too."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from dashboard.markup import html_text
from dashboard.pages import capacity as capacity_page
from dashboard.pages.care import cautions_section
from dashboard.winter_part import winter_section
from monitor import cautions
from monitor.capacity.guide import guide_document
from monitor.capacity.words import known_words
from monitor.care.digits import fine
from monitor.care.entry import LOG, TIME, LogRefused, entry_of, figures_words, kinds_for
from monitor.care.known import known_document
from monitor.care.winter_told import Asked, Held, winter_document
from monitor.care.winter_words import winter_lines
from monitor.care_report import care_report
from monitor.cli import main
from monitor.clock import SystemClock
from monitor.day_rows import DayRow
from monitor.plan.draws import declared, demand
from monitor.plan.sizing import ARRAY_TO_LOAD
from monitor.plan.steps import Wish
from monitor.plan_known import branch_used_Wh
from monitor.plan_report import Question, plan_report
from monitor.plan_words import in_words
from monitor.records import LogEntry, LogKind, Quality, Reading, Request, parse_iso
from monitor.season_words import PLAIN, _lowest
from monitor.site.load import load_site, with_defaults
from monitor.site.model import Site
from monitor.store.embedded import open_writer
from monitor.sun.months import ClearMonth
from tests.unit.site_files import MARSH_HIDE, write

NOON_MS = parse_iso("2026-06-01T12:00:00Z")
LAMPS = '\n[[loads]]\nname = "lamps"\npower_W = 24\nhours_per_day = 4\n'


def site_of(folder: Path, text: str) -> Site:
    return with_defaults(load_site(write(folder, text)))[0]


def without_set_points(folder: Path, text: str) -> Site:
    """A site whose set points are those that are usual for its bank."""
    names = ("absorption_V", "float_V", "equalization_V", "temperature_comp", "disconnect_V", "reconnect_V")
    return site_of(folder, "\n".join(line for line in text.splitlines() if not line.startswith(names)))


def test_in_a_polar_night_no_number_of_panels_is_enough(tmp_path: Path) -> None:
    site = site_of(tmp_path, MARSH_HIDE.replace("52.60", "69.0") + LAMPS)
    clear = {
        month: ClearMonth(month, *((0.0, 0.0) if month == 12 else (3.0, 900.0))) for month in range(1, 13)
    }
    found = plan_report(site, None, Question(Wish(5.0, ARRAY_TO_LOAD["usual"])), "none is made", clear)
    in_december = {each["name"]: each["nights"] for each in found["plan"]["lasting"]}
    # nothing comes from the array, so that the bank lasts as long as without any sun
    assert in_december["design_month"] == in_december["without_sun"] > 0
    assert found["plan"]["steps"][-1]["value"] is None
    words = " ".join(in_words(found).split())
    assert "The month that decides is December: no sun reaches the array in it." in words
    assert "Strings of panels: no number is enough" in words


@pytest.mark.parametrize(
    ("chemistry", "said"),
    [("flooded", "Never charge a frozen battery: it can burst."), ("lifepo4", "must not be charged below 0")],
)
def test_the_page_says_beside_the_winter_what_must_not_be_charged(
    tmp_path: Path, chemistry: str, said: str
) -> None:
    text = MARSH_HIDE.replace("flooded", chemistry)
    site = without_set_points(tmp_path, text)
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        section, _ = winter_section(store, site)
    assert said in str(section)


@pytest.mark.parametrize("chemistry", ["agm", "gel", "lifepo4"])
def test_no_closed_bank_is_offered_water_acid_or_equalization(tmp_path: Path, chemistry: str) -> None:
    # two makers' sheets of gel and AGM name no equalization; LiFePO4 from memory
    site = without_set_points(tmp_path, MARSH_HIDE.replace("flooded", chemistry))
    assert {"water", "hydrometer", "equalization"}.isdisjoint(kinds_for(site))
    with pytest.raises(LogRefused, match="must not be equalized: if it was done, write it down as a note"):
        entry_of(Request(NOON_MS, LOG, "equalization", {TIME: float(NOON_MS)}, ""), site, NOON_MS)


WARM = Asked(standing_C=20.0, coldest_C=10.0)
TODAY = date(2026, 6, 1)


def test_where_it_never_freezes_a_standing_bank_keeps_its_reserve_all_the_same(tmp_path: Path) -> None:
    site = site_of(tmp_path, MARSH_HIDE)
    told = winter_document(site, Held(0.8, None, "as given"), WARM, TODAY, "none is described")
    assert (told["least_charge"], told["by_frost"], told["safe_now"]) == (0.5, False, True)
    # (0.8 - 0.5) × 450 Ah over 4 Ah to 2 W at 12 V and 11 % of 450 Ah a month by 2^-0.5: 5.15 Ah a day
    assert told["act_by"] == "2026-06-28"
    low = winter_document(site, Held(0.3, None, "as given"), WARM, TODAY, "none is described")
    assert low["safe_now"] is False
    assert winter_lines(low)[0].startswith(
        "Too empty to be left standing: it holds 30 % (as given) and needs 50 %"
    )


def test_a_lithium_bank_that_stands_is_told_how_long_it_lasts(tmp_path: Path) -> None:
    text = MARSH_HIDE.replace("flooded", "lifepo4").replace("reserve_soc = 0.5", "reserve_soc = 0.1")
    site = without_set_points(tmp_path, text)
    told = winter_document(site, Held(0.8, None, "as given"), WARM, TODAY, [])
    assert (told["least_charge"], told["safe_now"], told["array"]) == (0.2, None, [])
    # 0.6 × 450 Ah over 4 Ah to the monitor and 2 % of 450 Ah a month by 2^-0.5: 4.21 Ah a day
    lines = winter_lines(told)
    assert "With all loads off and no charge it lasts until 5 August 2026" in lines[1]
    # an array that stays connected charges it in the frost, which ruins it (from memory)
    assert "In frost leave the array's disconnect open, unless battery or controller refuse" in lines[0]
    assert "Charge" not in lines[-1]


def test_a_bank_of_a_few_ampere_hours_has_its_digits(tmp_path: Path) -> None:
    text = MARSH_HIDE.replace("unit_capacity_Ah = 225", "unit_capacity_Ah = 3.5").replace("flooded", "agm")
    site = site_of(tmp_path, text.replace("equalization_V = 15.5\n", ""))
    lines = " ".join(winter_lines(winter_document(site, Held(0.8, None, "as given"), WARM, TODAY, "none")))
    assert "loses less than 0.01 Ah a day by itself" in lines
    assert "of 7 Ah" in lines


def wire(arguments: str) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(main, ["wire", *arguments.split(), "--json"])
    return done.exit_code, json.loads(done.output)


def test_a_run_that_one_system_of_sizes_serves_is_no_fault() -> None:
    # 0.012 V for 10 A over 3 m there and back: 0.2 ohm/km at most. AWG 4/0 (NEC chapter 9 table 8: 0.0608 ohm
    # per kft at 75 °C, 0.1995 ohm/km) has 0.201 at 78 °C, 120 mm² (IEC 60228 class 5: 0.161 at 20 °C) 0.198
    run = "--current 10 --length 3 --voltage 12 --drop 0.1 --temperature 78"
    status, told = wire(run)
    found = {result["name"]: result for result in told["results"]}
    assert (found["smallest_mm2"]["value"], found["smallest_awg"]["value"]) == ("120 mm²", None)
    assert status == 0
    assert not any(result["wrong"] for result in told["results"])
    said = CliRunner().invoke(main, ["wire", *run.split()])
    assert "In short: 120 mm², with a fuse of 15 A." in said.output


@pytest.mark.parametrize(
    ("run", "is_high"),
    [
        ("--current 10 --length 3 --voltage 24", False),
        ("--current 10 --length 3 --voltage 48", True),  # 62 V while it is equalized (15.5 V on 12 V)
        ("--isc 10 --strings 2 --voltage 82 --length 10", True),
    ],
)
def test_from_60_V_on_it_says_that_a_touch_can_kill(run: str, is_high: bool) -> None:
    # IEC 60364-4-41, 414: basic protection from 60 V of direct current where it is dry (from memory)
    assert (cautions.SHOCK in wire(run)[1]["cautions"]) == is_high


@pytest.mark.parametrize(("in_series", "is_high"), [(1, False), (3, True)])
def test_a_site_with_a_high_array_says_so_before_anything_is_touched(
    tmp_path: Path, in_series: int, is_high: bool
) -> None:
    # three panels of 22.3 V open in series stand at 67 V, and higher in frost (their plates)
    site = site_of(tmp_path, MARSH_HIDE.replace("panels_in_series = 1", f"panels_in_series = {in_series}"))
    assert site.works_at_V == pytest.approx(18.2 * in_series)
    assert (cautions.SHOCK in str(cautions_section(site))) == is_high


@pytest.mark.parametrize(
    ("value", "said"), [(450.4, "450"), (22.5, "22"), (6.5, "6.5"), (0.35, "0.35"), (0.0, "0")]
)
def test_ampere_hours_have_the_digits_that_their_size_asks_for(value: float, said: str) -> None:
    assert fine(value) == said


def test_a_tested_capacity_of_a_small_bank_keeps_its_tenths(tmp_path: Path) -> None:
    site = without_set_points(tmp_path, MARSH_HIDE.replace("= 225", "= 3.5").replace("flooded", "agm"))
    entry = LogEntry(
        NOON_MS, LogKind.CAPACITY, "", {"capacity_Ah": 6.5, "capacity_band_Ah": 0.8}, "", NOON_MS
    )
    assert figures_words(entry, site.bank) == "6.5 ± 0.8 Ah at the 20-hour rate, 93 % of the rated 7 Ah."


@pytest.mark.parametrize(("in_series", "is_asked"), [(1, False), (2, True)])
def test_batteries_that_share_both_poles_are_not_to_be_measured_one_by_one(
    tmp_path: Path, in_series: int, is_asked: bool
) -> None:
    # Kirchhoff: what is joined at both poles has one voltage
    text = MARSH_HIDE.replace("unit_voltage_V = 6", f"unit_voltage_V = {12 // in_series}")
    site = site_of(tmp_path, text.replace("units_in_series = 2", f"units_in_series = {in_series}"))
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        tasks = {task["kind"] for task in care_report(site, store)["tasks"]}
    assert ("voltages" in tasks) == is_asked


@pytest.mark.parametrize(("level", "metered_Wh"), [("shunt", 148.0), ("controller", 100.0)])
def test_what_an_inverter_takes_is_not_counted_as_a_load_of_its_branch(
    tmp_path: Path, level: str, metered_Wh: float
) -> None:
    # 80 Wh behind an inverter of 80 %: 20 Wh are lost; 48 Wh to this computer's 2 W, which a shunt alone sees
    kettle = (
        "[[loads]]\nname = 'kettle'\npower_W = 80\nhours_per_day = 1\nac = true\n[inverter]\nefficiency = 0.8"
    )
    site = site_of(tmp_path, MARSH_HIDE.replace('level = "controller"', f'level = "{level}"') + "\n" + kettle)
    drawn = demand(declared(site.loads), site.inverter, 2.0)
    assert branch_used_Wh(site, drawn, 1, metered_Wh) == pytest.approx(80.0)


def test_no_lowest_charge_is_told_with_a_band_below_empty() -> None:
    row = DayRow(
        **{field.name: None for field in fields(DayRow)} | {"first": TODAY, "soc_min": 0.13, "soc_sd": 0.14}
    )
    assert _lowest(row, PLAIN) == "somewhere between 0 % and 41 % on 1 Jun 2026"


@pytest.mark.parametrize(("second_V", "is_dead"), [(6.05, False), (4.2, True)])
def test_nobody_is_sent_to_equalize_a_bank_with_a_dead_cell(
    tmp_path: Path, second_V: float, is_dead: bool
) -> None:
    # a lead-acid cell has 2 V: a 6 V battery at 4.2 V has two left (arithmetic)
    site = site_of(tmp_path, MARSH_HIDE)
    read = {"unit_1_V": 6.31, "unit_2_V": second_V, "unit_3_V": 6.33, "unit_4_V": 6.32}
    entry = LogEntry(NOON_MS, LogKind.VOLTAGES, "", read, "", NOON_MS)
    assert ("do not equalize" in figures_words(entry, site.bank)) == is_dead
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        store.add_log_entry(entry)
        store.commit()
        tasks = {task["kind"]: task for task in care_report(site, store)["tasks"]}
    assert ("equalization" in tasks) != is_dead
    assert ("String 1, battery 2 lacks about a cell's voltage" in tasks["voltages"]["why"]) == is_dead


@pytest.mark.parametrize(("coldest_C", "said"), [(-5, None), (-20, "needs 59 %"), (-65, "even a full bank")])
def test_a_plan_says_where_its_reserve_would_freeze(tmp_path: Path, coldest_C: int, said: str | None) -> None:
    # two makers' tables: 50 % freezes at -20.1, 60 % at -25.5, a full one at -66.7 °C (computed); 5 °C more
    text = MARSH_HIDE.replace("altitude_m = 4", f"altitude_m = 4\ncoldest_C = {coldest_C}") + LAMPS
    site = site_of(tmp_path, text)
    notes = plan_report(site, None, Question(Wish(5.0, ARRAY_TO_LOAD["usual"])), "none", "not known")["notes"]
    told = [note for note in notes if "out in the cold" in note]
    assert len(told) == (said is not None)
    assert all(said in note for note in told)


@pytest.mark.parametrize(("chemistry", "helps"), [("flooded", True), ("lifepo4", False)])
def test_why_no_capacity_can_be_tested_and_what_would_help_are_told_once(
    tmp_path: Path, chemistry: str, helps: bool
) -> None:
    text = MARSH_HIDE.replace("flooded", chemistry).replace('level = "controller"', 'level = "charging"')
    site = without_set_points(tmp_path, text)
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        page = html_text(capacity_page.layout(lambda: store, site, {}))
    assert page.count("The capacity cannot be tested: ") == 1
    assert page.count("nobody knows what was taken") == page.count("A shunt in the bank") == helps
    assert ("What would help" in page) == helps


@pytest.mark.parametrize(("temperature_C", "is_met"), [(-8.0, False), (12.0, True)])
def test_a_capacity_test_is_not_begun_in_frost(tmp_path: Path, temperature_C: float, is_met: bool) -> None:
    # a battery maker's own example: half a charge may freeze at -20 °C
    site = site_of(tmp_path, MARSH_HIDE)
    now_ms = SystemClock().now_ms()
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        store.append([Reading(now_ms, "charger", "battery_temperature_C", temperature_C, Quality.GOOD)])
        store.commit()
        ready = {each["words"]: each["is_met"] for each in guide_document(site, store)["ready"]}
    (said,) = [words for words in ready if words.startswith("The bank is at")]
    assert ready[said] is is_met
    assert ("its acid freezes at -20 °C" in said) != is_met


@pytest.mark.parametrize(("sd_Ah", "is_learnt"), [(50.0, False), (15.0, True)])
def test_what_is_true_of_any_bank_is_not_told_as_learnt_of_this_one(
    tmp_path: Path, sd_Ah: float, is_learnt: bool
) -> None:
    # before it has learnt anything the estimator supposes 12 to 15 % of deviation (`bank.priors`, our choice)
    site = site_of(tmp_path, MARSH_HIDE)
    now_ms = SystemClock().now_ms()
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        values = {"bank_capacity_Ah": 320.0, "bank_capacity_sd_Ah": sd_Ah}
        store.append([Reading(now_ms, "estimate", name, value) for name, value in values.items()])
        store.commit()
        said = [name for name, _ in known_words(known_document(site, store, now_ms), str)]
        why = next(task["why"] for task in care_report(site, store)["tasks"] if task["kind"] == "capacity")
    assert ("Learnt from use, by the estimate" in said) == is_learnt
    assert ("Supposed of any such bank, not learnt yet" in said) != is_learnt
    assert ("by its use the bank has about 320" in why) == is_learnt  # and so less than 80 % of 450 Ah


def test_a_bank_that_is_to_be_installed_makes_nothing_due_by_that_day(tmp_path: Path) -> None:
    site = site_of(tmp_path, MARSH_HIDE.replace("2025-04-12", "2225-04-12"))
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        told = next(task for task in care_report(site, store)["tasks"] if task["kind"] == "terminals")
    assert told["due"] is None
    assert "will be installed on 2225-04-12 only: look at the year" in told["why"]


@pytest.mark.parametrize(("coldest_C", "is_told"), [(-4.0, True), (6.0, False)])
def test_a_plan_says_that_a_lithium_bank_in_frost_takes_no_charge(
    tmp_path: Path, coldest_C: float, is_told: bool
) -> None:
    site = without_set_points(tmp_path, MARSH_HIDE.replace("flooded", "lifepo4") + LAMPS)
    question = Question(Wish(5.0, ARRAY_TO_LOAD["usual"]), temperature_C=coldest_C)
    notes = " ".join(plan_report(site, None, question, "none", "not known")["notes"])
    assert ("LiFePO4 must not be charged below 0 °C" in notes) == is_told
