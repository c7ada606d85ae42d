"""`nightbank alarms` as a person types it, with the daemon's watch answering beside it."""

import json
import threading
import time

import pytest
from click.testing import CliRunner

from monitor.alarms.watch import AlarmWatch
from monitor.cli import main
from monitor.clock import SystemClock
from monitor.records import Heartbeat, Reading
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_writer
from monitor.store.heartbeat import write_heartbeat
from tests.unit.site_files import changed, write

HOT = """
[[alarms]]
name = "Bank too hot"
on_delay_s = 0
off_delay_s = 0
"""


class Hide:
    """A site whose bank is too hot, and a thread that does what the daemon does once a second."""

    def __init__(self, folder):
        self.file = write(folder, changed(more=HOT))
        self.site, _ = with_defaults(load_site(self.file))
        self.store = open_writer(folder / "nightbank.db", "Europe/London")
        self.watch = AlarmWatch(self.site, self.store, SystemClock())
        self.read(50.0)
        self._stop = threading.Event()
        self._thread = None

    def read(self, temperature_C):
        now_ms = SystemClock().now_ms()
        reading = Reading(now_ms, "charger", "battery_temperature_C", temperature_C)
        self.store.append([reading])
        self.watch.judge([reading])
        write_heartbeat(self.store, Heartbeat(now_ms, now_ms, None))
        self.store.commit()

    def start(self):
        def follow():
            while not self._stop.is_set():
                self.watch.tick()
                self.store.commit()
                time.sleep(0.05)

        self._thread = threading.Thread(target=follow)
        self._thread.start()

    def stop(self):
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self.store.close()

    def say(self, *words):
        return CliRunner().invoke(main, ["alarms", str(self.file), *words])


@pytest.fixture
def hide(tmp_path):
    made = Hide(tmp_path)
    yield made
    made.stop()


def test_the_list_tells_what_stands_since_when_and_what_to_do_first(hide):
    lines = hide.say("list").output.splitlines()
    assert lines[0].startswith("ALARM, high priority, active since ")
    assert lines[1] == "  Bank too hot: 50 °C is above 45 °C."
    assert lines[2] == "  First: Open the array's disconnect and let air to the bank."
    assert lines[3].startswith("  Mind: Acid and hydrogen")
    assert lines[-1].endswith("watched and quiet.")


def test_the_list_as_json_has_standing_alarms_first(hide):
    first, *others = json.loads(hide.say("list", "--json").output)
    assert (first["name"], first["state"], first["stands"]) == ("Bank too hot", "unacknowledged", True)
    assert (first["quantity"], first["condition"], first["set_point"]) == (
        "battery_temperature_C",
        "above",
        45,
    )
    assert first["raised"].endswith("Z")
    assert len(others) > 10
    assert not any(each["stands"] for each in others)


def test_an_acknowledgement_is_done_by_the_daemon_and_told(hide):
    hide.start()
    said = hide.say("acknowledge", "bank TOO hot")
    assert (said.exit_code, said.output) == (0, "Bank too hot: acknowledged.\n")
    assert "acknowledged" in hide.say("list").output
    again = hide.say("acknowledge", "Bank too hot")
    assert again.exit_code == 1
    assert "there is nothing to acknowledge" in again.output


def test_all_alarms_can_be_acknowledged_at_once(hide):
    hide.start()
    assert hide.say("acknowledge", "all").output == "Acknowledged: Bank too hot.\n"


def test_a_name_that_no_alarm_has_is_told_at_once_though_no_daemon_runs(hide):
    said = hide.say("acknowledge", "Bank to hot")
    assert (said.exit_code, said.output) == (
        1,
        "There is no alarm 'Bank to hot'; did you mean 'Bank too hot'?\n",
    )
    assert hide.say("shelve", "all", "--for", "8h").exit_code == 1, "only an acknowledgement is for all"


def test_a_shelved_alarm_is_told_with_its_end_and_can_be_unshelved(hide):
    hide.start()
    assert "shelved until" in hide.say("shelve", "Bank too hot", "--for", "8h").output
    listed = hide.say("list").output
    assert "No alarm." in listed
    assert "Bank too hot: shelved until" in listed
    assert "it is now unacknowledged" in hide.say("unshelve", "Bank too hot").output


def test_an_alarm_can_be_put_out_of_service_and_back(hide):
    hide.start()
    assert hide.say("out-of-service", "Bank too hot").exit_code == 0
    assert "out of service since" in hide.say("list").output
    assert "unacknowledged" in hide.say("in-service", "Bank too hot").output


@pytest.mark.parametrize(("commit_every_s", "silent"), [(60, True), (600, False)])
def test_a_monitor_that_commits_seldom_is_not_told_as_silent(tmp_path, commit_every_s, silent):
    """Its heartbeat is as old as its last commit: four minutes are long for one a minute, not one in ten."""
    file = write(tmp_path, changed(more=f"[store]\ncommit_every_s = {commit_every_s}\n"))
    with open_writer(tmp_path / "nightbank.db", "Europe/London") as store:
        beat_ms = SystemClock().now_ms() - 240_000
        write_heartbeat(store, Heartbeat(beat_ms, beat_ms, None))
        store.commit()
    told = CliRunner().invoke(main, ["alarms", str(file), "list"]).output
    assert ("has been silent since" in told) is silent


def test_an_unknown_alarm_is_told_with_the_nearest(hide):
    hide.start()
    said = hide.say("acknowledge", "Bank to hot")
    assert said.exit_code == 1
    assert said.output == "There is no alarm 'Bank to hot'; did you mean 'Bank too hot'?\n"


@pytest.mark.parametrize(
    ("span", "why"),
    [("8", "write it like 30min, 8h or 1d"), ("25h", "up to 24 h at a time"), ("0h", "not for '0h'")],
)
def test_a_shelving_without_a_sound_time_is_wrong_use(hide, span, why):
    said = hide.say("shelve", "Bank too hot", "--for", span)
    assert said.exit_code == 2
    assert why in " ".join(said.output.split())


def test_a_shelving_needs_a_time(hide):
    assert hide.say("shelve", "Bank too hot").exit_code == 2


def test_without_a_daemon_it_says_when_it_will_be_done(hide, monkeypatch):
    monkeypatch.setattr("monitor.commands.asked.WAIT_S", 0.3)
    now_ms = SystemClock().now_ms()
    write_heartbeat(hide.store, Heartbeat(now_ms, now_ms, now_ms))
    hide.store.commit()
    said = hide.say("acknowledge", "Bank too hot")
    assert said.output == "The monitor does not run now; it will be done as soon as the monitor starts.\n"
    assert "nobody is watching" in hide.say("list").output
    hide.watch.tick()
    assert hide.watch.states["Bank too hot"].state == "acknowledged"


def test_the_history_tells_every_change_newest_first_with_its_values(hide):
    hide.start()
    hide.say("acknowledge", "Bank too hot")
    lines = hide.say("history").output.splitlines()
    assert "acknowledged" in lines[0]
    assert lines[0].endswith("by the command line")
    raised = next(
        each for each in json.loads(hide.say("history", "--json").output) if each["cause"] == "raised"
    )
    assert raised["values"] == {"battery_temperature_C": 50.0}
    assert (raised["before"], raised["after"]) == ("normal", "unacknowledged")
    none = hide.say("history", "--from", "2020-01-01", "--to", "2020-02-01").output
    assert none == "No alarm has changed its state in this time.\n"


def test_the_figures_are_told_beside_what_they_should_be(hide):
    document = json.loads(hide.say("figures", "--json").output)
    assert (document["raised"], document["standing"]) == (1, ["Bank too hot"])
    assert document["thresholds"]["per_day"] == 1
    assert "raised            1, 1.00 a day" in hide.say("figures").output
    assert hide.say("figures", "--from", "2026-02-01", "--to", "2026-01-01").exit_code == 2
