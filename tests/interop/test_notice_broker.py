"""Notices through Debian's mosquitto, seen by a second client: retained states, last will, a broker away."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.notices.channels import mqtt
from monitor.notices.channels.mqtt import topic_of
from monitor.records import Reading
from tests.faults.test_outage import Child
from tests.interop import brokers
from tests.interop.brokers import Broker, Listener
from tests.ports import free_port
from tests.unit.notice_world import MINUTE, NOON, World
from tests.waiting import wait_for

CHANNEL = brokers.CHANNEL + 'prefix = "nightbank/hide"\n{more}\n'
PREFIX = "nightbank/hide"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    with Broker(folder) as broker:
        yield broker


@pytest.fixture
def listener(broker: Broker) -> Iterator[Listener]:
    listener = Listener(broker.port)
    yield listener
    listener.close()


@pytest.fixture
def here(tmp_path: Path, broker: Broker) -> Iterator[World]:
    with World(tmp_path, more=CHANNEL.format(port=broker.port, more="")) as world:
        yield world


def test_an_alarm_comes_as_a_notice_and_as_a_retained_state(
    here: World, listener: Listener, broker: Broker
) -> None:
    here.writer.append([Reading(NOON, "shunt", "battery_voltage_V", 11.2)])
    here.at(NOON, ("Device silent: shunt", "raised", "high"))
    (notice,) = wait_for(lambda: listener.documents(f"{PREFIX}/notice"))
    assert (notice["kind"], notice["about"], notice["site"]) == (
        "alarm",
        "Device silent: shunt",
        "Marsh hide",
    )
    here.noticer.follow()
    late = Listener(broker.port)
    try:
        alarm = wait_for(lambda: late.documents(f"{PREFIX}/alarm/device-silent-shunt"))[0]
        state = wait_for(lambda: late.documents(f"{PREFIX}/state"))[0]
        assert (alarm["state"], alarm["stands"]) == ("unacknowledged", True)
        assert state["standing"] == ["Device silent: shunt"]
        assert state["highest_priority"] == "high"
        assert state["values"]["battery_voltage_V"] == {"value": 11.2, "at": "2026-11-24T12:00:00Z"}
        assert "state_of_charge" not in state["values"]
        assert late.texts(f"{PREFIX}/daemon") == ["online"]
        assert late.texts(f"{PREFIX}/notice") == []  # what happened is no state
        assert all(retained for _, _, retained, _ in late.messages)
    finally:
        late.close()


def test_when_an_alarm_is_over_its_retained_state_says_so(here: World, listener: Listener) -> None:
    here.at(NOON, ("A", "raised", "high"))
    here.at(NOON + MINUTE, ("A", "returned", "high"))
    wait_for(lambda: "returned" in listener.last(f"{PREFIX}/alarm/a"))
    wait_for(lambda: '"all clear"' in listener.last(f"{PREFIX}/notice"))


def test_a_killed_daemon_is_told_by_its_last_will(tmp_path: Path, broker: Broker, listener: Listener) -> None:
    with World(tmp_path, more=CHANNEL.format(port=broker.port, more="")) as world:
        site_file = world.site_file
        wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "online")
    wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "offline")  # a stop says it, too
    child = Child(site_file)
    child.start(NOON)
    child.step(NOON, [])
    wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "online")
    child.kill()
    wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "offline")
    assert child.process.returncode == -signal.SIGKILL


def test_a_broker_that_is_not_there_at_the_start_gets_everything_later(tmp_path: Path) -> None:
    port = free_port()
    folder = tmp_path / "broker"
    folder.mkdir()
    with World(tmp_path, more=CHANNEL.format(port=port, more="")) as world:
        world.clock.set(NOON)
        world.noticer.take([])
        world.at(NOON, ("A", "raised", "urgent"))
        waiting = [each for each in world.waiting if each.channel == "broker"]
        assert waiting[0].last_error.startswith(f"the broker 127.0.0.1 port {port} cannot be reached")
        with Broker(folder, port=port):
            listener = Listener(port)
            wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "online")
            world.at(NOON + 10 * MINUTE)
            (notice,) = wait_for(lambda: listener.documents(f"{PREFIX}/notice"))
            listener.close()
        assert (notice["about"], notice["maybe_twice"]) == ("A", False)


def test_after_a_broker_was_away_its_states_are_right_again(here: World, broker: Broker) -> None:
    here.at(NOON, ("A", "raised", "high"))
    broker.stop()
    here.at(NOON + MINUTE, ("A", "acknowledged", "high"))
    broker.start()  # without a file of its own it has forgotten what was retained
    listener = Listener(broker.port)
    wait_for(lambda: '"acknowledged"' in listener.last(f"{PREFIX}/alarm/a"))
    assert listener.last(f"{PREFIX}/daemon") == "online"
    listener.close()


def test_what_a_stalled_broker_may_have_taken_comes_again_only_marked(
    here: World, broker: Broker, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt, "ANSWER_S", 1.0)
    wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "online")
    broker.process.send_signal(signal.SIGSTOP)  # what is sent now lies in the kernel until it goes on
    here.at(NOON, ("A", "raised", "urgent"))
    waiting = [each for each in here.waiting if each.channel == "broker"]
    assert waiting[0].maybe_twice
    broker.process.send_signal(signal.SIGCONT)
    wait_for(lambda: listener.texts(f"{PREFIX}/daemon").count("online") == 2)
    here.at(NOON + 10 * MINUTE)
    wait_for(lambda: any(each["maybe_twice"] for each in listener.documents(f"{PREFIX}/notice")))
    copies = listener.documents(f"{PREFIX}/notice")
    assert len({each["id"] for each in copies}) == 1
    assert [each["maybe_twice"] for each in copies] in ([False, True], [True])  # the first may be lost


def test_a_password_is_taken_from_the_secrets_file_and_a_wrong_one_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    secrets = tmp_path / "secrets.toml"
    secrets.write_text('broker = "wr0ng-w0rd"\n')
    secrets.chmod(0o600)
    with Broker(folder, user="hide", password="c0rrect-h0rse") as broker:
        more = 'user = "hide"\nsecret = "broker"'
        with World(tmp_path, more=CHANNEL.format(port=broker.port, more=more)) as world:
            world.at(NOON, ("A", "raised", "urgent"))
            waiting = [each for each in world.waiting if each.channel == "broker"]
            assert "authori" in waiting[0].last_error.lower()
            secrets.write_text('broker = "c0rrect-h0rse"\n')
            listener = Listener(broker.port, user="hide", password="c0rrect-h0rse")
            wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "online")
            world.at(NOON + 10 * MINUTE)
            wait_for(lambda: listener.documents(f"{PREFIX}/notice"))
            listener.close()
        kept = (tmp_path / "nightbank.db").read_bytes()
        assert b"c0rrect-h0rse" not in kept
        assert b"wr0ng-w0rd" not in kept


def test_a_test_from_the_command_line_does_not_speak_for_the_daemon(here: World, listener: Listener) -> None:
    wait_for(lambda: listener.last(f"{PREFIX}/daemon") == "online")
    said = CliRunner().invoke(main, ["notify", str(here.site_file), "--test", "--channel", "broker"])
    assert said.stdout.startswith("broker (mqtt): delivered in ")
    assert wait_for(lambda: listener.documents(f"{PREFIX}/notice"))[0]["kind"] == "test"
    assert listener.texts(f"{PREFIX}/daemon") == ["online"]


@pytest.mark.parametrize(
    ("name", "topic"),
    [("Low voltage", "low-voltage"), ("Device silent: shunt", "device-silent-shunt"), ("#/+", "alarm")],
)
def test_an_alarms_topic_has_nothing_that_a_broker_would_take_for_a_pattern(name: str, topic: str) -> None:
    assert topic_of(name) == topic


def test_the_daemon_does_not_load_the_broker_library_without_a_broker() -> None:
    code = (
        "import sys, monitor.notices.noticer; "
        "print(sorted({'paho', 'apprise', 'gpiozero', 'smtplib'} & sys.modules.keys()))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout == "[]\n"
