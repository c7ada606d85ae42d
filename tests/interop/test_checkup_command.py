"""`nightbank checkup` as a person runs it: the real command over a pty, over TCP and by the daemon's store.

The simulator is wired wrong on purpose, and a person does what the command asks. All runs go at once: they
mostly wait.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import suppress
from datetime import UTC, datetime, timedelta

import pytest

from monitor.checkup.record import compared, read_record
from monitor.errors import StoreError
from monitor.store.embedded import open_reader
from monitor.store.heartbeat import read_heartbeat
from tests.checkups.person import Person, longitude_for, started_now
from tests.serving import ServedSimulator
from tests.waiting import wait_for

NOON, NIGHT = 11.5, 23.5
SITE = """
[site]
name = "Hill hut"
latitude_deg = 10.0
longitude_deg = {longitude:.3f}
[bank]
chemistry = "flooded"
unit_voltage_V = 6
unit_capacity_Ah = 225
units_in_series = 2
strings_in_parallel = {strings}
[array]
panel_power_W = 150
panel_voc_V = 22.3
panel_isc_A = 8.6
panel_vmp_V = 18.2
panel_imp_A = 8.25
panels_in_series = 1
strings_in_parallel = {panels}
[controller]
kind = "mppt"
rating_A = 40
array_voltage_limit_V = 100
absorption_V = 14.8
float_V = 13.5
[metering]
level = "{level}"
[store]
commit_every_s = 30
"""
CHARGER = """
[[devices]]
name = "charger"
profile = "marsh-charger"
every_s = 0.25
"""
SHUNT = """
[[devices]]
name = "shunt"
profile = "marsh-shunt"
connection = "serial"
every_s = 1
port = "{port}"
"""
SCENARIO = """
[place]
latitude_deg = 10.0
longitude_deg = {longitude:.3f}
air_mean_C = 18
[bank]
strings_in_parallel = {strings}
start_soc = 0.6
[array]
tilt_deg = 30
strings_in_parallel = {panels}
[[weather]]
from_days_ago = 5
to_days_ago = 0
sky = "clear"
[[loads]]
name = "lamps"
power_W = 60
metered = {metered}
[[loads]]
name = "monitor"
power_W = 2
metered = false
"""


class Hut:
    """A served simulator and the site file that describes what it should be."""

    def __init__(
        self, folder, *, hour, level="controller", strings=1, panels=1, tcp=False, metered=True, wrong=""
    ):
        folder.mkdir()
        self.folder, place = folder, {"longitude": longitude_for(hour)}
        text = SCENARIO.format(**place, strings=strings, panels=panels, metered=str(metered).lower())
        self.simulator = ServedSimulator(folder, scenario=text + wrong, start=started_now())
        self.simulator.tell("loads", name="lamps", on=True)
        self.simulator.tell("run", speed=1.0)
        text = SITE.format(**place, level=level, strings=strings, panels=panels)
        if level == "shunt":
            text += SHUNT.format(port=self.simulator.shunt["serial"])
        wire = f'connection = "serial"\nport = "{self.simulator.charger["serial"]}"\n'
        if tcp:
            wire = f'connection = "tcp"\nhost = "127.0.0.1"\ntcp_port = {self.simulator.charger["tcp"][1]}\n'
        self.site_file = folder / "hut.toml"
        self.site_file.write_text(text + CHARGER + wire)


def phone(minutes=0):
    """What a phone shows when the site's time zone is UTC, or one that goes otherwise."""
    return f"{datetime.now(UTC) + timedelta(minutes=minutes):%H:%M}"


def verdicts(document):
    return {each["check"]: each["verdict"] for each in document["results"]}


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Every run's person and hut by name, started together."""
    folder = tmp_path_factory.mktemp("checkup")
    huts, people, daemons = {}, {}, []
    try:
        huts["stored"] = Hut(folder / "stored", hour=NIGHT, tcp=True, metered=False)
        daemons.append(started_daemon(huts["stored"]))
        huts["pty"] = Hut(
            folder / "pty", hour=NOON, level="shunt", panels=1, wrong="[wiring]\nshunt_reversed = true\n"
        )
        huts["tcp"] = Hut(folder / "tcp", hour=NOON, tcp=True, panels=2)
        huts["dark"] = Hut(folder / "dark", hour=NIGHT, wrong="[wiring]\nbattery_switch = false\n")
        people["pty"] = Person(
            huts["pty"].simulator,
            huts["pty"].site_file,
            "--each",
            "1",
            answers=(phone(60), "14.4", "13,5"),
            skip=("Close your hand", "Let the probe", "Switch"),
        )
        people["tcp"] = Person(
            huts["tcp"].simulator,
            huts["tcp"].site_file,
            "--each",
            "1",
            "--record",
            str(folder / "tcp" / "record"),
            answers=(phone(), "14.8", "13.5 V"),
            skip=("Close your hand", "Let the probe"),
        )
        people["dark"] = Person(huts["dark"].simulator, huts["dark"].site_file, "--each", "1")
        huts["left"] = Hut(folder / "left", hour=NOON)
        people["left"] = Person(
            huts["left"].simulator,
            huts["left"].site_file,
            "--each",
            "1",
            skip=("Close your hand",),
            leave="Switch off all loads",
        )
        await_commit(huts["stored"])
        people["stored"] = Person(
            huts["stored"].simulator,
            huts["stored"].site_file,
            "--each",
            "1",
            skip=("Close your hand", "Let the probe"),
            enter=("Switch",),
        )
        yield {name: (person, huts[name], person.result()) for name, person in people.items()}
        daemons[0].send_signal(signal.SIGTERM)
        assert daemons[0].wait(60) == 0
    finally:
        for person in people.values():
            person.end()
        for daemon in daemons:
            daemon.kill()
            daemon.wait()
        for hut in huts.values():
            hut.simulator.stop()


def started_daemon(hut):
    """`nightbank monitor` on a hut."""
    command = [sys.executable, "-m", "monitor.cli", "monitor", str(hut.site_file)]
    return subprocess.Popen(command, stderr=subprocess.DEVNULL, env=os.environ)


def await_commit(hut):
    """Wait until the hut's daemon has written its first commit; before, there is no store yet."""

    def is_beating():
        with suppress(StoreError), open_reader(hut.folder / "nightbank.db") as reader:
            return read_heartbeat(reader) is not None

    wait_for(is_beating, "the daemon commits")


def test_over_a_pty_it_finds_what_is_wired_and_set_wrong(runs):
    _, _, (status, document) = runs["pty"]
    found = {name for name, verdict in verdicts(document).items() if verdict == "wrong"}
    assert found == {"shunt_sign", "clock", "set_points"}
    assert status == 1
    told = {each["check"]: each for each in document["results"]}
    assert told["clock"]["figures"]["clock_error_s"] == pytest.approx(-3600, abs=120)
    assert "sense wires" in told["shunt_sign"]["look_at"]
    assert "short circuit" in told["shunt_sign"]["caution"]
    assert verdicts(document)["array_path"] == "right"
    assert verdicts(document)["shunt_side"] == "not to be told"  # the loads were not switched


def test_acts_that_readings_show_are_noticed_and_others_confirmed(runs):
    person, _, (_, document) = runs["tcp"]
    how = {act["phase"]: act["how"] for act in document["acts"]}
    assert how["array off"] == how["array on"] == how["loads off"] == how["loads on"] == "noticed"
    assert how["a panel of string 2 covered"] == "confirmed"
    assert how["probe held"] == "skipped"
    assert "  Noticed." in person.said


def test_a_right_system_over_tcp_shows_nothing_wrong_and_leaves_a_record(runs):
    _, hut, (status, document) = runs["tcp"]
    assert [each for each in document["results"] if each["verdict"] == "wrong"] == []
    assert status == 0
    assert verdicts(document)["array_parallel"] == "right"
    assert verdicts(document)["loads"] == "right"
    kept = json.loads((hut.folder / "record.json").read_text())
    assert kept == document
    sheet = (hut.folder / "record.txt").read_text()
    assert sheet.startswith("Checkup of Hill hut, ")
    assert "Every string of panels gives" in sheet


def test_a_bank_that_is_not_connected_shows_in_the_dark_without_any_act(runs):
    person, _, (status, document) = runs["dark"]
    assert verdicts(document)["battery_switch"] == "wrong"
    assert status == 1
    assert {act["reason"] for act in document["acts"] if act["how"] == "skipped"} == {
        "charger is silent",
        "it is dark",
    }
    assert not any(line.startswith("Switch off") for line in person.said)


def test_whoever_leaves_in_the_middle_is_told_what_stands_open(runs):
    person, _, (status, document) = runs["left"]
    assert (status, document) == (1, {})
    at = person.said.index("Before you leave:")
    assert person.said[at + 1 : at + 3] == ["  - Switch on all loads.", "  - Close the array's disconnect."]


def test_while_the_daemon_runs_its_store_is_read_and_written_faster(runs):
    _, hut, (status, document) = runs["stored"]
    assert document["read_from"] == "the running monitor"
    assert verdicts(document)["loads"] == "wrong"
    assert status == 1
    skipped = {act["phase"]: act["reason"] for act in document["acts"] if act["how"] == "skipped"}
    assert skipped["array off"] == "it is dark"
    with open_reader(hut.folder / "nightbank.db") as reader:
        asked = reader.request(1)
    assert asked.kind == "close look"
    assert asked.outcome == "For 60 min readings are written every 2 s."


def test_a_years_comparison_tells_what_has_changed(runs, tmp_path):
    _, hut, (_, right) = runs["tcp"]
    _, _, (_, wrong) = runs["pty"]
    changes = compared(wrong, read_record(hut.folder / "record.json"))
    assert {"title": "The clock is wrong", "before": "right", "now": "wrong"} in changes["verdicts"]
    assert compared(right, right)["verdicts"] == []


def test_nobody_writes_to_a_device(runs):
    for _, hut, _ in runs.values():
        functions = hut.simulator.tell("truth")["lines"]["charger"]["functions"]
        assert set(functions) <= {"3", "4"}
