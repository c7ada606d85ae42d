"""`nightbank demo` as a newcomer runs it, and what the other commands say of what it left."""

import csv
import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from contextlib import closing
from datetime import datetime, timedelta
from urllib.request import urlopen

import pytest

from tests.faults.door_client import Visitor
from tests.ports import free_port
from tests.waiting import wait_for

NIGHTBANK = [sys.executable, "-m", "monitor.cli"]


def nightbank(*arguments, **options):
    return subprocess.run([*NIGHTBANK, *arguments], capture_output=True, text=True, timeout=180, **options)


def children_of(pid):
    """Process ids whose parent is pid."""
    listed = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True)
    return [int(word) for word in listed.stdout.split()]


def alive(pid):
    """Whether a process runs; one that has ended and that nobody has asked after is listed as Z."""
    listed = subprocess.run(["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True)
    return listed.stdout.strip()[:1] not in ("", "Z")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A demo of two past days that has gone live: (folder, process, page port, what it printed)."""
    folder = tmp_path_factory.mktemp("demo") / "hide"
    port = free_port()
    log = folder.parent / "demo.log"
    with log.open("wb") as handle:
        process = subprocess.Popen(
            [*NIGHTBANK, "demo", "--dir", str(folder), "--days", "2", "--port", str(port)], stderr=handle
        )
    wait_for(lambda: "Ctrl-C ends all" in log.read_text() or process.poll() is not None, seconds=300)
    assert process.poll() is None, log.read_text()
    yield folder, process, port, log
    if process.poll() is None:
        process.kill()


def test_it_prints_an_address_and_serves_the_page_there(demo):
    _, _, port, log = demo
    assert log.read_text().count(f":{port}/") == 1
    with urlopen(f"http://127.0.0.1:{port}/", timeout=60) as answer:
        assert answer.status == 200


def test_its_pin_is_drawn_anew_and_unlocks_the_page(demo):
    _, _, port, log = demo
    pin = re.search(r"The page's PIN: (\d{6}) ", log.read_text())[1]
    visitor = Visitor(port)
    assert visitor.unlock(pin).status == 303
    assert "Unlocked on this phone" in visitor.get("/alarms").text


def test_the_past_days_are_there_and_it_goes_on_live(demo):
    folder, *_ = demo
    first = document(folder)

    def read_since():
        """The time in the document of now, once its voltage has been read after the first."""
        now = document(folder)
        age_s = timedelta(seconds=now["quantities"]["battery_voltage_V"]["age_s"])
        return datetime.fromisoformat(now["time"]) - age_s > datetime.fromisoformat(first["time"])

    wait_for(read_since)
    table = nightbank(
        "export",
        str(folder / "site.toml"),
        "--from",
        "2020-01-01",
        "--to",
        "2100-01-01",
        "--format",
        "csv",
        "--quantity",
        "battery_voltage_V",
        "--every",
        "3600",
    )
    hours = list(csv.DictReader(io.StringIO(table.stdout)))
    assert len(hours) >= 48
    assert all(11.0 < float(hour["battery_voltage_V"]) < 16.0 for hour in hours)


def document(folder):
    said = nightbank("now", str(folder / "site.toml"), "--json")
    assert said.returncode == 0, said.stderr
    return json.loads(said.stdout)


def test_now_is_one_json_document_with_the_promised_names(demo):
    folder, *_ = demo
    now = document(folder)
    names = "time time_known site quantities soc soc_sd soc_before basis stage dark capacity_test"
    names += " alarms devices"
    assert set(now) == set(names.split())
    assert now["time_known"] is True
    assert now["site"] == "Marsh hide"
    for name in ("battery_voltage_V", "battery_current_A", "charge_current_A", "midpoint_voltage_V"):
        assert {"value", "unit", "age_s", "quality", "device"} <= set(now["quantities"][name]), name
    assert {device["name"]: device["state"] for device in now["devices"]} == {
        "shunt": "answering",
        "charger": "answering",
    }


def test_now_in_words_gives_every_value_its_age(demo):
    folder, *_ = demo
    said = nightbank("now", str(folder / "site.toml")).stdout
    line = next(line for line in said.splitlines() if "Bank voltage" in line)
    assert " V  " in line
    assert line.rstrip().endswith("s ago")


def test_a_second_daemon_on_the_same_store_is_refused(demo):
    folder, *_ = demo
    said = nightbank("monitor", str(folder / "site.toml"))
    assert said.returncode == 1
    assert "Traceback" not in said.stderr
    assert "nightbank.db" in said.stderr


def test_an_import_lands_beside_the_running_demo_and_comes_out_again(demo, tmp_path):
    folder, *_ = demo
    rows = (
        "time,battery_voltage_V,charge_current_A",
        "2026-01-05T10:00:00Z,12.50,3.25",
        "2026-01-05T10:10:00Z,12.52,",
    )
    (tmp_path / "old.csv").write_text("\n".join(rows))
    taken = nightbank("import", str(folder / "site.toml"), str(tmp_path / "old.csv"))
    assert taken.returncode == 0, taken.stderr
    out = nightbank(
        "export",
        str(folder / "site.toml"),
        "--from",
        "2026-01-05",
        "--to",
        "2026-01-06",
        "--format",
        "csv",
        "--quantity",
        "battery_voltage_V",
        "--quantity",
        "charge_current_A",
    )
    assert list(csv.DictReader(io.StringIO(out.stdout))) == [
        {"time": "2026-01-05T10:00:00Z", "battery_voltage_V": "12.5", "charge_current_A": "3.25"},
        {"time": "2026-01-05T10:10:00Z", "battery_voltage_V": "12.52", "charge_current_A": ""},
    ]


def test_ctrl_c_ends_everything_cleanly(demo):
    _, process, port, log = demo
    started = children_of(process.pid)
    assert len(started) == 2, "simulator and page"
    process.send_signal(signal.SIGINT)
    assert process.wait(60) == 0
    assert [pid for pid in started if alive(pid)] == []
    with closing(socket.socket()) as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0
    assert "Traceback" not in log.read_text()
    assert log.read_text().rstrip().endswith("The demo has ended.")


def test_ctrl_c_while_the_past_is_filled_in_ends_it_too(tmp_path):
    process = subprocess.Popen(
        [*NIGHTBANK, "demo", "--dir", str(tmp_path / "hide"), "--days", "30", "--no-page"],
        stderr=subprocess.PIPE,
        text=True,
    )
    started = wait_for(lambda: children_of(process.pid))
    time.sleep(2)  # the past is being filled in
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    assert "Traceback" not in said
    assert [pid for pid in started if alive(pid)] == []


def test_it_begins_anew_where_a_former_demo_was_and_tells_when_its_simulator_has_gone(tmp_path):
    folder = tmp_path / "hide"
    folder.mkdir()
    (folder / "site.toml").write_text("# written for `nightbank demo`, long ago\n")
    store = folder / "nightbank.db"
    store.write_text("no store that anybody can read")
    process = subprocess.Popen(
        [*NIGHTBANK, "demo", "--dir", str(folder), "--days", "30", "--no-page"],
        stderr=subprocess.PIPE,
        text=True,
    )
    while not (store.exists() and store.read_bytes().startswith(b"SQLite format 3")):
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.05)
    (simulator,) = children_of(process.pid)
    os.kill(simulator, signal.SIGKILL)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "the simulator has ended by itself" in said
    assert "Traceback" not in said


def taken(port):
    with closing(socket.socket()) as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _runs_ahead(folder):
    """Whether what the store tells as now is minutes ahead of the real time, and its readings are of then."""
    if nightbank("now", str(folder / "site.toml")).returncode != 0:
        return False
    ahead = document(folder)
    real = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() + 120))
    return ahead["time"] > real and 0 <= ahead["quantities"]["battery_voltage_V"]["age_s"] < 60 * 20


@pytest.fixture(scope="module")
def fast(tmp_path_factory):
    """A demo whose time runs faster, with its page: (folder, process, page port)."""
    folder, port = tmp_path_factory.mktemp("fast") / "hide", free_port()
    options = ["--days", "1", "--speed", "60", "--port", str(port)]
    process = subprocess.Popen([*NIGHTBANK, "demo", "--dir", str(folder), *options])
    yield folder, process, port
    if process.poll() is None:
        process.kill()


def test_time_that_runs_faster_is_told_to_every_reader(fast):
    folder, process, _ = fast
    # the past day may take a busy machine a minute
    wait_for(lambda: _runs_ahead(folder) or process.poll() is not None, seconds=180)
    assert process.poll() is None


def test_a_second_demo_in_its_folder_is_refused_and_takes_nothing(fast):
    folder, process, _ = fast
    said = nightbank("demo", "--dir", str(folder), "--port", str(free_port()))
    assert said.returncode == 1
    assert f"a demo that still runs (process {process.pid})" in said.stderr
    assert "Traceback" not in said.stderr
    assert process.poll() is None
    assert document(folder)["quantities"]["battery_voltage_V"]["age_s"] < 60 * 20


def test_a_demo_that_is_killed_leaves_nothing_on_its_port(fast):
    _, process, port = fast
    wait_for(lambda: taken(port), seconds=180)
    started = children_of(process.pid)
    assert len(started) >= 2, "simulator and page"
    process.kill()
    process.wait(60)
    wait_for(lambda: not any(alive(pid) for pid in started), "its children end with it")
    assert not taken(port)


def test_a_folder_with_other_files_is_left_alone(tmp_path):
    (tmp_path / "diary.txt").write_text("heron at dawn")
    said = nightbank("demo", "--dir", str(tmp_path), "--no-page")
    assert said.returncode == 1
    assert "choose another with --dir" in said.stderr
    assert (tmp_path / "diary.txt").read_text() == "heron at dawn"


def test_a_taken_port_is_told_before_anything_is_made(tmp_path):
    with closing(socket.socket()) as holder:
        holder.bind(("0.0.0.0", 0))
        holder.listen()
        port = holder.getsockname()[1]
        said = nightbank("demo", "--dir", str(tmp_path / "hide"), "--port", str(port))
    assert said.returncode == 1
    assert f"port {port} is taken" in said.stderr
    assert not (tmp_path / "hide").exists()


@pytest.mark.parametrize(
    "arguments",
    [("now",), ("monitor",), ("demo", "--days", "0"), ("tomorrow",), ("export", "x.toml", "--from", "1")],
)
def test_wrong_use_is_told_with_status_2(arguments):
    said = nightbank(*arguments)
    assert said.returncode == 2
    assert "Usage" in said.stderr


def test_a_missing_site_file_is_told_with_status_1(tmp_path):
    said = nightbank("now", str(tmp_path / "none.toml"))
    assert said.returncode == 1
    assert "none.toml" in said.stderr
    assert "Traceback" not in said.stderr
