"""The daemon as a process: readiness for systemd, a full disk, kills, restarts, a port that is not there."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.records import Event, Reading, parse_iso
from monitor.sdnotify import notify
from monitor.simulated import SimulatorProcess
from monitor.site.load import load_site, with_defaults
from monitor.store.embedded import open_reader, open_writer
from monitor.sun.expected import noted, supply_of
from tests.waiting import wait_for

NOON = parse_iso("2026-06-21T12:00:00Z")


class Daemon:
    """`nightbank monitor` on a simulator, with a socket where systemd would listen."""

    def __init__(self, folder, text):
        self.folder = folder
        self.site_file = folder / "site.toml"
        self.site_file.write_text(text.replace("commit_every_s = 5", "commit_every_s = 1"))
        self.log = folder / "log"
        self.supervisor = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.supervisor.bind(str(folder / "notify"))
        self.heard = []
        self.listener = threading.Thread(target=self._listen, daemon=True)
        self.listener.start()
        self.process = None

    def _listen(self):
        """As systemd does: take every message as it comes."""
        while message := self.supervisor.recv(4096).decode():
            self.heard += message.split("\n")

    def start(self, prefix=()):
        command = [*prefix, sys.executable, "-m", "monitor.cli", "monitor", str(self.site_file)]
        environment = os.environ | {"NOTIFY_SOCKET": str(self.folder / "notify")}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stderr=log, env=environment)

    def hear(self, wanted):
        """Wait until the daemon has told systemd this."""
        wait_for(lambda: wanted in self.heard, self.log.read_text)
        self.heard.remove(wanted)

    def stop(self, number=signal.SIGTERM):
        self.process.send_signal(number)
        return self.process.wait(60)

    def count(self, quantity="battery_voltage_V"):
        with open_reader(self.folder / "nightbank.db") as reader:
            return sum(1 for _ in reader.rows([quantity], 0, 2**45))

    def events(self, kind, subject=""):
        """Texts of the stored events of a kind about a subject, oldest first."""
        with open_reader(self.folder / "nightbank.db") as reader:
            found = reversed(reader.events(0, 2**45))
            return [event.text for event in found if (event.kind, event.subject) == (kind, subject)]


@pytest.fixture
def daemon(tmp_path, site_text):
    with SimulatorProcess(tmp_path / "ports", NOON) as simulator:
        simulator.ask(do="run", speed=1.0)
        made = Daemon(tmp_path, site_text(simulator, every_s=1))
        made.simulator = simulator
        yield made
        if made.process is not None and made.process.poll() is None:
            made.stop(signal.SIGKILL)
        made.supervisor.shutdown(socket.SHUT_RDWR)
        made.listener.join(5)
        made.supervisor.close()


def test_it_is_ready_only_with_a_store_and_feeds_the_watchdog_by_polls(daemon):
    daemon.start()
    daemon.hear("READY=1")
    assert (daemon.folder / "nightbank.db").exists()
    daemon.hear("WATCHDOG=1")
    assert daemon.stop() == 0
    daemon.hear("STOPPING=1")


def test_after_a_kill_it_goes_on_and_loses_no_more_than_a_commit(daemon):
    daemon.start()
    daemon.hear("READY=1")
    wait_for(lambda: daemon.count() >= 4)
    before = daemon.count()
    daemon.stop(signal.SIGKILL)
    left = daemon.count()
    assert left >= before
    daemon.start()
    daemon.hear("READY=1")
    wait_for(lambda: daemon.count() > left)
    assert daemon.stop() == 0
    assert daemon.events("start") == [
        "The monitor has started for the first time.",
        "The monitor has started again.",
    ]


def test_a_port_that_comes_late_is_told_and_picked_up(daemon):
    daemon.simulator.ask(do="unplug", device="charger")
    daemon.start()
    daemon.hear("READY=1")
    wait_for(lambda: daemon.events("device", "charger"))
    daemon.simulator.ask(do="plug", device="charger")
    wait_for(lambda: daemon.events("device", "charger")[-1].startswith("answering on"), daemon.log.read_text)
    told = daemon.events("device", "charger")
    assert told[0].startswith("never answered on")
    assert "ports/charger" in told[0]
    assert daemon.stop() == 0


def test_the_suns_tables_are_made_by_a_process_that_ends(daemon):
    daemon.start()
    daemon.hear("READY=1")
    children = Path(f"/proc/{daemon.process.pid}/task/{daemon.process.pid}/children")
    supply = supply_of(with_defaults(load_site(daemon.site_file))[0])
    week = [datetime.now(ZoneInfo("Europe/London")).date() + timedelta(days=ahead) for ahead in range(7)]
    with open_reader(daemon.folder / "nightbank.db") as reader:
        wait_for(lambda: None not in [noted(supply, day, reader) for day in week], daemon.log.read_text)
    assert children.read_text() == ""
    maps = Path(f"/proc/{daemon.process.pid}/maps").read_text()
    assert "/numpy/" in maps  # the estimator's
    assert not any(f"/{name}/" in maps for name in ("pandas", "scipy", "h5py"))
    assert daemon.stop() == 0


def test_a_stop_does_not_leave_the_suns_process_behind(daemon):
    daemon.start()
    daemon.hear("READY=1")
    children = Path(f"/proc/{daemon.process.pid}/task/{daemon.process.pid}/children")
    started = wait_for(lambda: children.read_text().split())
    assert daemon.stop() == 0
    assert not Path(f"/proc/{started[0]}").exists()


def test_a_full_disk_is_told_and_outlived(daemon):
    # a limit on the size of files stands in for the full card: the write fails with 'file too large'
    daemon.start(prefix=("bash", "-c", 'ulimit -f 160; trap "" XFSZ; exec "$@"', "limited"))
    daemon.hear("READY=1")
    wait_for(lambda: "ERROR" in daemon.log.read_text() or daemon.process.poll() is not None)
    time.sleep(2)
    assert daemon.process.poll() is None
    said = daemon.log.read_text()
    assert "Traceback" not in said
    assert "nightbank.db" in said


def test_a_disk_that_is_full_from_the_start_is_told_with_what_to_do(daemon):
    daemon.start(prefix=("bash", "-c", 'ulimit -f 32; trap "" XFSZ; exec "$@"', "limited"))
    assert daemon.process.wait(60) == 1
    said = daemon.log.read_text()
    assert "make room on the disk" in said
    assert "Traceback" not in said


def test_a_bad_site_file_is_told_by_key_and_line_before_anything_is_polled(daemon):
    text = daemon.site_file.read_text().replace('chemistry = "flooded"', 'chemistri = "flooded"')
    daemon.site_file.write_text(text)
    line = 1 + text[: text.index("chemistri")].count("\n")
    daemon.start()
    assert daemon.process.wait(60) == 1
    said = daemon.log.read_text()
    assert f"line {line}" in said
    assert "bank.chemistri" in said
    assert not (daemon.folder / "nightbank.db").exists()


def test_a_service_manager_that_does_not_listen_holds_nothing_up(tmp_path, monkeypatch):
    deaf = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    deaf.bind(str(tmp_path / "deaf"))
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "deaf"))
    queue_length = int(Path("/proc/sys/net/unix/max_dgram_qlen").read_text())
    for _ in range(queue_length + 1):
        notify("WATCHDOG=1")
    started_s = time.monotonic()
    notify("WATCHDOG=1")
    assert time.monotonic() - started_s < 5
    deaf.close()


def test_a_slow_device_is_given_time_and_the_person_is_told(daemon):
    text = daemon.site_file.read_text().replace("unit = 1\n", "unit = 1\ntimeout_s = 0.2\n")
    daemon.site_file.write_text(text)
    daemon.simulator.ask(do="fault", device="charger", kind="slow", rate=1.0, delay_s=0.3)
    daemon.start()
    daemon.hear("READY=1")

    def remark():
        with open_reader(daemon.folder / "nightbank.db") as reader:
            found = [
                each for each in reader.health() if (each.device, each.state) == ("charger", "answering")
            ]
        return found and found[0].remark

    assert "answers later than the time-out of 0.2 s" in wait_for(remark, daemon.log.read_text)
    assert daemon.stop() == 0


def says(daemon, *words):
    """`nightbank alarms` as a process, beside the daemon."""
    command = [sys.executable, "-m", "monitor.cli", "alarms", str(daemon.site_file), *words]
    return subprocess.run(command, capture_output=True, text=True)


def test_a_person_answers_an_alarm_while_the_daemon_runs_and_it_survives_a_kill(daemon):
    with daemon.site_file.open("a", encoding="utf-8") as file:
        file.write(
            '\n[[alarms]]\nname = "A warm shed"\nquantity = "battery_temperature_C"\ncondition = "above"\n'
            "set_point = -20\non_delay_s = 0\noff_delay_s = 0\n"
        )
    daemon.start()
    daemon.hear("READY=1")
    wait_for(
        lambda: "A warm shed" in says(daemon, "list").stdout.partition("watched")[0], daemon.log.read_text
    )
    answered = says(daemon, "acknowledge", "a warm shed")
    assert (answered.returncode, answered.stdout) == (0, "A warm shed: acknowledged.\n")
    daemon.stop(signal.SIGKILL)
    waiting = says(daemon, "shelve", "A warm shed", "--for", "1h")  # nobody is there to do it
    assert "it will be done as soon as" in waiting.stdout
    daemon.start()
    daemon.hear("READY=1")
    wait_for(lambda: "A warm shed: shelved until" in says(daemon, "list").stdout, daemon.log.read_text)
    assert len([text for text in daemon.events("alarm", "A warm shed") if text.startswith("Raised")]) == 1
    assert daemon.stop() == 0


def test_a_capacity_test_is_begun_and_ended_by_the_command_line(daemon):
    """A bank that an hour's charge has made full, by its store; the simulator's sun goes on charging it."""
    daemon.start()  # so that the store's clock is of this boot
    daemon.hear("READY=1")
    assert daemon.stop() == 0
    before = daemon.count()
    now_ms = time.time_ns() // 1_000_000
    with open_writer(daemon.folder / "nightbank.db", "Europe/London") as store:
        for ago_s in range(3600, 0, -10):
            values = {"battery_current_A": 8.0, "battery_voltage_V": 14.4}
            at_ms = now_ms - 1000 * ago_s
            store.append(Reading(at_ms, "charger", name, value) for name, value in values.items())
        store.add_event(Event(now_ms - 1000, "full", "", "The bank is full."))
        store.commit()
    daemon.start()
    daemon.hear("READY=1")
    wait_for(lambda: daemon.count() > before + 360, daemon.log.read_text)
    asked = [sys.executable, "-m", "monitor.cli", "care", str(daemon.site_file), "capacity"]

    def said(*options):
        return subprocess.run([*asked, *options], capture_output=True, text=True, check=True).stdout

    assert said("--begin", "--by", "Ada").startswith("The test is watched from now on.")
    assert said("--end", "--by", "Ada") == "It is watched no longer.\n"
    assert daemon.events("capacity test") == [
        "A capacity test was begun by Ada.",
        "The watch over the capacity test was ended by Ada.",
    ]
    assert daemon.stop() == 0
