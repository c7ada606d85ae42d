"""The checkup's parts: meters' steps, panels' curves, leads, questions, acts, the record."""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib.pvsystem import v_from_i

from monitor.checkup.acts import out_of_place, plan, to_put_back
from monitor.checkup.bank_checks import bank_parallel, battery_switch, devices
from monitor.checkup.figures import in_words as in_words_of
from monitor.checkup.judge import judge
from monitor.checkup.keys import Keys
from monitor.checkup.lead_check import lead_drop
from monitor.checkup.levels import level, move
from monitor.checkup.meter_checks import loads
from monitor.checkup.panel_curve import Curve, held_mppt_drop_V
from monitor.checkup.questions import ask_all, clock_error_s, volts
from monitor.checkup.record import (
    changes_in_words,
    compared,
    document_of,
    files_of,
    in_words,
    read_record,
    write_record,
)
from monitor.checkup.recording import (
    ARRAY_OFF,
    ARRAY_ON,
    LOADS_OFF,
    LOADS_ON,
    START,
    STRINGS_ON,
    Phase,
    Recording,
    Sample,
    alone,
)
from monitor.checkup.result import Verdict, right, wrong
from monitor.checkup.roles import roles_of
from monitor.checkup.sources import CheckupError, samples_of
from monitor.clock import SteppedClock
from monitor.close_look import KIND, CloseLook
from monitor.records import Quality, Reading, Request
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import leave_request, open_writer
from monitor.sun.diode import diode
from monitor.sun.expected import supply_of
from tests.checkups.play import play
from tests.checkups.systems import draw
from tests.unit.site_files import changed, write

STEP_MS, MINUTE_MS = 2_000, 60_000


@pytest.fixture
def site(tmp_path):
    return with_defaults(load_site(write(tmp_path, changed('metering.level = "shunt"'))))[0]


def recording_of(site, **phases):
    """Steady readings by phase and device: {"array off": {"charger": {...}}}."""
    samples, spans = [], []
    for number, (name, meters) in enumerate(phases.items()):
        from_ms = number * MINUTE_MS
        spans.append(Phase(name, from_ms, from_ms + MINUTE_MS, "confirmed"))
        for at_ms in range(from_ms, from_ms + MINUTE_MS, STEP_MS):
            samples += [Sample(at_ms, device, values) for device, values in meters.items()]
    return Recording(site, samples, spans)


@given(true_V=st.floats(10, 15), step=st.sampled_from([0.01, 0.1]))
def test_rounding_alone_never_makes_a_move(true_V, step):
    site = _site_with_step(step)
    low, high = (round(value / step) * step for value in (true_V, true_V + 0.999 * step))
    recording = recording_of(
        site,
        **{
            LOADS_ON: {"shunt": {"battery_voltage_V": low}},
            LOADS_OFF: {"shunt": {"battery_voltage_V": high}},
        },
    )
    assert not move(recording, LOADS_ON, LOADS_OFF, "shunt", "battery_voltage_V").beyond(0.0)


def _site_with_step(step):
    site = draw(1, day=True).site
    return site.model_copy(update={"meters": site.meters.model_copy(update={"voltage_step_V": step})})


def test_a_level_needs_three_samples_and_leaves_spikes_out(site):
    values = [{"battery_voltage_V": 12.5}] * 9 + [{"battery_voltage_V": 48.0}]
    samples = [Sample(number, "shunt", each) for number, each in enumerate(values)]
    recording = Recording(
        site, samples, [Phase(START, 0, 100, "confirmed"), Phase(LOADS_ON, 0, 2, "confirmed")]
    )
    assert level(recording, START, "shunt", "battery_voltage_V").mean == pytest.approx(12.5)
    assert level(recording, LOADS_ON, "shunt", "battery_voltage_V") is None
    assert level(recording, START, "shunt", "charge_current_A") is None


def test_what_a_covered_string_changes_agrees_with_pvlibs_single_diode(site):
    # pvlib solves the same circuit with the Lambert W function (De Soto 2006's five parameters); shunt: none
    supply = supply_of(site)
    softness_V, series_ohm = diode(supply)
    light = 0.8
    light_A = supply.panel_isc_A * light
    dark_A = light_A / np.expm1((supply.panel_voc_V + softness_V * np.log(light)) / softness_V)

    def panel_V(current_A):
        return float(v_from_i(current_A, light_A, dark_A, series_ohm, 1e9, softness_V))

    before_A = 2.0  # of each of three panels
    before_V = panel_V(before_A)
    after_V = before_V
    for _ in range(50):
        after_V = panel_V(3 * before_A * before_V / after_V / 2)
    found = held_mppt_drop_V(Curve(supply, 25.0), before_V, 3 * before_A)
    assert found == pytest.approx(before_V - after_V, rel=0.05)


def test_the_leads_drop_is_the_published_one(site):
    # computed from the resistivity of ASTM B258: 6 mm2, 4 m one way, 10 A at 12 V take 0.2299 V, 1.916 %
    site = site.model_copy(
        update={
            "meters": site.meters.model_copy(update={"voltage_step_V": 0.0001, "voltage_gain_tolerance": 0.0})
        }
    )
    recording = recording_of(
        site,
        **{
            START: {
                "charger": {
                    "battery_voltage_V": 13.6 + 0.2299,
                    "charge_current_A": 10.0,
                    "load_current_A": 0.0,
                },
                "shunt": {"battery_voltage_V": 13.6, "battery_current_A": 10.0},
            },
            ARRAY_OFF: {
                "charger": {"battery_voltage_V": 12.8, "charge_current_A": 0.0, "load_current_A": 0.0},
                "shunt": {"battery_voltage_V": 12.8, "battery_current_A": 0.0},
            },
        },
    )
    found = lead_drop(recording, roles_of(recording))
    assert found.figures["lead_ohm"] == pytest.approx(0.02299, rel=1e-3)
    full_A = found.figures["drop_share"] * 12 / found.figures["lead_ohm"]
    assert found.figures["drop_share"] == pytest.approx(0.01916 * full_A / 10, rel=1e-3)
    assert found.verdict is Verdict.WRONG  # 3 % are the limit, and 37 A flow in full sun


@pytest.mark.parametrize(
    ("typed", "local", "error_s"),
    [
        ("12:00", (12, 0, 30), 0),
        ("11:00", (12, 0, 30), 3600),
        ("23:58", (0, 1, 30), 180),
        ("0:03", (23, 59, 30), -240),
    ],
)
def test_a_clocks_error_is_the_nearest_way_round(typed, local, error_s):
    assert clock_error_s(typed, datetime(2026, 5, 1, *local, tzinfo=UTC)) == error_s


def test_a_voltage_is_taken_as_people_type_it():
    assert volts("14,4") == volts("14.4 V") == 14.4
    for wrong_one in ("fourteen", "144"):
        with pytest.raises(ValueError, match=r"write it like 14\.4"):
            volts(wrong_one)


def test_a_wrong_answer_is_asked_again_and_an_ended_input_is_no_answer(site, tmp_path):
    typed = tmp_path / "typed"
    typed.write_text("25:99\n18:05\nmany\n14.8\n")
    told = []
    with typed.open() as file:
        answers = ask_all(site, Keys(file.fileno()), told.append, lambda: 0)
    assert answers.absorption_V == 14.8
    assert answers.float_V is None
    assert answers.clock_error_s is not None
    assert len([line for line in told if "write it like" in line]) == 2


def test_acts_that_the_hour_or_the_system_cannot_show_are_left_out_with_their_reason(site):
    dark = Counter(act.skip for act in plan(site, False, False))
    assert dark["it is dark"] == 2 + 2 * 3
    assert dark["no device gives a temperature of the bank"] == 2
    by_day = plan(site, True, True)
    assert not any(act.skip for act in by_day)
    order = [act.phase for act in by_day]
    # a string is switched off only while the array cannot feed a controller without a bank
    assert order.index("array off") < order.index("string 1 of the bank alone") < order.index("array on")


LIT = {"charger": {"battery_voltage_V": 12.4, "array_voltage_V": 18.0}}
GONE = {"charger": {"battery_voltage_V": 12.4, "array_voltage_V": 0.0}}
SILENT = {"charger": {"battery_voltage_V": None, "array_voltage_V": None}}


def asked_after(site, phase, **phases):
    """Why a phase's act is left out after these phases in daylight, '' where it is asked for."""
    act = next(act for act in plan(site, True, True) if act.phase == phase)
    return act.skip or out_of_place(act, recording_of(site, **phases))


def test_in_light_a_string_is_switched_off_only_once_the_array_is_seen_off(site):
    # a controller that loses its bank while the array feeds it can be destroyed (common practice, no source)
    only = "only with the array off, and it was not seen off"
    first = alone(1)
    assert asked_after(site, first, **{START: LIT}) == only  # the person left out the array's disconnect
    assert asked_after(site, first, **{START: LIT, ARRAY_OFF: LIT}) == only  # Enter, but nothing was opened
    assert asked_after(site, first, **{START: LIT, ARRAY_OFF: GONE}) == ""
    assert not any(act.unfed for act in plan(site, False, True))  # in the dark it feeds nothing


def test_nothing_is_to_be_undone_that_was_not_done(site):
    why = "what it takes back was not done"
    for phase in ("probe released", "string 1 free again", STRINGS_ON, LOADS_ON, ARRAY_ON):
        assert asked_after(site, phase, **{START: LIT}) == why
    assert asked_after(site, LOADS_ON, **{START: LIT, LOADS_OFF: LIT}) == ""


def test_the_array_is_not_closed_onto_a_controller_without_its_bank(site):
    gone = {START: LIT, ARRAY_OFF: GONE, alone(1): GONE}
    assert asked_after(site, ARRAY_ON, **gone) == "only with all strings of the bank on"
    assert asked_after(site, ARRAY_ON, **gone, **{STRINGS_ON: GONE}) == ""


def test_whoever_leaves_is_told_what_still_stands_open(site):
    done = {START: LIT, ARRAY_OFF: GONE, LOADS_OFF: GONE}
    assert to_put_back(recording_of(site, **done), None) == [
        "Switch on all loads.",
        "Close the array's disconnect.",
    ]
    asked = next(act for act in plan(site, True, True) if act.phase == alone(1))  # it may be done by now
    assert "Switch all strings of the bank on again." in to_put_back(recording_of(site, **done), asked)
    assert to_put_back(recording_of(site, **done, **{LOADS_ON: GONE, ARRAY_ON: LIT}), None) == []
    (told,) = to_put_back(recording_of(site, **{START: LIT, ARRAY_OFF: SILENT}), None)
    assert told.startswith("Leave the array's disconnect open until the bank is connected")


def test_a_controller_that_never_comes_back_tells_nothing_of_the_strings(site):
    dead = {START: LIT, ARRAY_OFF: GONE, alone(1): SILENT, alone(2): GONE}
    for after, verdict in ((GONE, Verdict.WRONG), (SILENT, Verdict.UNTOLD)):
        recording = recording_of(site, **dead, **{STRINGS_ON: after})
        assert bank_parallel(recording, roles_of(recording)).verdict is verdict


def test_a_device_that_vanishes_in_the_middle_is_told_and_blames_nothing_else(site):
    gone = recording_of(site, **{START: LIT, LOADS_OFF: SILENT, LOADS_ON: SILENT})
    assert devices(gone, roles_of(gone)).verdict is Verdict.WRONG
    assert "answered at first and not at the end" in devices(gone, roles_of(gone)).evidence
    assert loads(gone, roles_of(gone)).verdict is Verdict.UNTOLD
    # silent with the array off is the bank's path, which another check tells
    unfed = recording_of(site, **{START: LIT, ARRAY_OFF: SILENT})
    assert devices(unfed, roles_of(unfed)).verdict is Verdict.RIGHT
    assert battery_switch(unfed, roles_of(unfed)).verdict is Verdict.WRONG


def test_silent_and_suspect_readings_are_no_values():
    readings = [
        Reading(1, "charger", "battery_voltage_V", None, Quality.MISSING, "no answer"),
        Reading(2, "charger", "battery_voltage_V", 99.0, Quality.SUSPECT, "far off"),
        Reading(3, "charger", "battery_voltage_V", 12.6),
    ]
    silent, suspect, good = samples_of(readings)
    assert not silent.answered
    assert suspect.values == {}
    assert good.values == {"battery_voltage_V": 12.6}


def test_a_record_can_be_printed_kept_and_compared(site, tmp_path):
    recording = Recording(site, [], [Phase("array off", 0, 0, "skipped", "it is dark")])
    old = document_of(recording, [right("clock", "It agrees.", clock_error_s=10.0)], 0, "the devices")
    new = document_of(
        recording, [wrong("clock", "It is off.", "Set it.", clock_error_s=600.0)], 0, "the devices"
    )
    files = files_of(tmp_path / "first.json")
    write_record(files, old)
    changes = compared(new, read_record(files[1]))
    assert changes["verdicts"] == [{"title": "The clock is wrong", "before": "right", "now": "wrong"}]
    assert changes["figures"][0]["before"] == 10.0
    assert changes["figures"][0]["now"] == 600.0
    sheet = in_words({**new, "compared": changes})
    assert "What is wrong" in sheet
    assert "array off: it is dark" in sheet
    assert "right then, wrong now" in sheet
    with pytest.raises(CheckupError, match="is there already"):
        files_of(tmp_path / "first")


def test_what_is_compared_stands_in_words_on_the_sheet_and_once(site):
    recording = recording_of(site, **{START: LIT})
    clock = right("clock", "It agrees.", clock_error_s=-0.2)
    leads = right("lead_drop", "Little.", lead_ohm=-0.0, lead_sd_ohm=0.001, drop_share=0.0)
    arrays = [right("array_path", "18.6 V.", array_V=18.6), right("array_series", "18.6 V.", array_V=18.6)]
    strings = right("array_parallel", "Each costs.", string_1_share=1.02)
    record = document_of(recording, [clock, leads, *arrays, strings], 0, "the devices")
    assert changes_in_words(compared(record, record))[2:] == [
        "    clock ahead by                        0 s then        0 s now",
        "    leads, there and back          0.0000 ohm then 0.0000 ohm now",
        "    array                              18.6 V then     18.6 V now",
        "    share of string 1, by covering      102 % then      102 % now",
    ]


def test_every_figure_of_a_checkup_has_words_or_is_known_to_need_none():
    silent_ones = {"devices", "strings_tried", "strings_dead", "panels_low", "panels_high"}
    silent_ones |= {"lead_sd_ohm", "drop_share", "described_W"}
    keys = {key for seed in (3, 4) for result in judge(play(draw(seed, day=True))) for key in result.figures}
    assert len(keys) > 10
    assert {key for key in keys if in_words_of(key, 1.0) is None} <= silent_ones


@pytest.mark.parametrize(
    "text", ["no json", "[]", "{}", json.dumps({"form": 1, "site": "x"}), json.dumps({"form": 99})]
)
def test_what_is_no_record_is_refused_in_words(tmp_path, text):
    file = tmp_path / "old.json"
    file.write_text(text)
    with pytest.raises(CheckupError, match=r"old\.json: is "):
        read_record(file)


def test_a_close_look_makes_the_daemon_write_more_often_for_a_while(tmp_path):
    class Clock(SteppedClock):
        at_s = 0.0

        def elapsed_s(self):
            return self.at_s

    clock = Clock(0)
    with open_writer(tmp_path / "store.db", "UTC") as store:
        look = CloseLook(store, clock, 60.0)
        assert look.commit_every_s == 60.0
        number = leave_request(tmp_path / "store.db", Request(0, KIND, "", {"for_s": 600.0}, "the checkup"))
        look.follow()
        store.commit()
        assert look.commit_every_s == 2.0
        assert store.request(number).done_ms is not None
        clock.at_s = 601.0
        assert look.commit_every_s == 60.0


def test_a_close_look_ends_when_whoever_looked_is_done(tmp_path):
    with open_writer(tmp_path / "store.db", "UTC") as store:
        look = CloseLook(store, SteppedClock(0), 60.0)
        for for_s, every_s in ((600.0, 2.0), (0.0, 60.0)):
            leave_request(tmp_path / "store.db", Request(0, KIND, "", {"for_s": for_s}, "the checkup"))
            look.follow()
            assert look.commit_every_s == every_s
        assert store.open_requests() == []
