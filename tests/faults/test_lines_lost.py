"""Ports and connections that come and go, and what a person is told; real pseudo-terminals and sockets."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from time import monotonic, sleep

import pytest
import serial

from monitor.devices.rtu import LONGEST_WAIT, RtuLink
from monitor.devices.tcp import TcpLink
from monitor.errors import BadFrame, DeviceError, EchoHeard, ForeignReply, LineLost, NoAnswer
from tests.faults.peer import UNIT, Peer, Plan, exception, reply, words
from tests.faults.tcp_peer import TcpPeer, TcpPlan

pytestmark = pytest.mark.timed

BAUD = 115200
SLOW_BAUD = 300
"""A frame takes so long here (0.4 s and more) that an answer at once is early on a busy computer, too."""


@pytest.fixture
def peer() -> Iterator[Peer]:
    with Peer(Plan(baud=BAUD)) as peer:
        yield peer


@pytest.fixture
def link(peer: Peer) -> Iterator[RtuLink]:
    link = RtuLink(peer.path, baud=BAUD, parity="even", timeout_s=0.5)
    yield link
    link.close()


def good(peer: Peer, values: tuple[int, ...], address: int = 0) -> bool:
    return values == words(address, len(values), peer.asked(len(values)))


def test_a_missing_port_is_told_and_picked_up_when_it_appears(tmp_path: Path) -> None:
    port = tmp_path / "charger"
    link = RtuLink(str(port), baud=BAUD, timeout_s=1.0)
    with pytest.raises(LineLost, match=r"charger: there is no such port; plug the adapter in"):
        link.read(UNIT, 4, 0, 2)
    with Peer(Plan(baud=BAUD)) as peer:
        port.symlink_to(peer.path)
        assert good(peer, link.read(UNIT, 4, 0, 2))
        link.close()


def test_unplug_and_replug_under_the_same_path(tmp_path: Path) -> None:
    port = tmp_path / "charger"
    with Peer(Plan(baud=BAUD)) as peer:
        port.symlink_to(peer.path)
        link = RtuLink(str(port), baud=BAUD, timeout_s=1.0)
        assert good(peer, link.read(UNIT, 4, 0, 2))
    port.unlink()
    for _ in range(3):
        with pytest.raises(LineLost, match="plug the adapter in"):
            link.read(UNIT, 4, 0, 2)
    with Peer(Plan(baud=BAUD)) as peer:
        port.symlink_to(peer.path)
        started_s = monotonic()
        assert good(peer, link.read(UNIT, 4, 0, 2))
        assert monotonic() - started_s < 2.0, "nothing is waited for"
        link.close()


def test_unplug_in_the_middle_of_a_read() -> None:
    master, slave = os.openpty()
    link = RtuLink(os.ttyname(slave), baud=BAUD, timeout_s=20.0)
    link.open()
    os.close(slave)
    unplug = threading.Timer(0.1, os.close, (master,))
    unplug.start()
    started_s = monotonic()
    with pytest.raises(LineLost):
        link.read(UNIT, 4, 0, 2)
    assert monotonic() - started_s < 10.0, "the loss ends the wait"
    unplug.join()


def test_a_path_that_leads_to_another_port_now_is_opened_anew(tmp_path: Path) -> None:
    # The old port may stay silent for ever without an error: the path tells.
    port = tmp_path / "charger"
    with Peer(Plan(baud=BAUD, fault="silence", rate=1.0)) as dead, Peer(Plan(baud=BAUD)) as alive:
        port.symlink_to(dead.path)
        link = RtuLink(str(port), baud=BAUD, timeout_s=0.5)
        with pytest.raises(NoAnswer):
            link.read(UNIT, 4, 0, 2)
        port.unlink()
        port.symlink_to(alive.path)
        with pytest.raises(LineLost, match="another port stands under this path"):
            link.read(UNIT, 4, 0, 2)
        assert good(alive, link.read(UNIT, 4, 0, 2))
        link.close()


def test_the_port_is_locked_while_open(peer: Peer, link: RtuLink) -> None:
    link.read(UNIT, 4, 0, 2)
    with pytest.raises(LineLost, match="another program holds the port"):
        RtuLink(peer.path, baud=BAUD).open()
    with pytest.raises(serial.SerialException):
        serial.Serial(peer.path, exclusive=True)
    link.close()
    link.close()
    serial.Serial(peer.path, exclusive=True).close()


@pytest.mark.parametrize("parity", ["none", "even", "odd"])
def test_a_port_can_be_opened_again_with_any_parity(peer: Peer, parity: str) -> None:
    link = RtuLink(peer.path, baud=BAUD, parity=parity, timeout_s=1.0)
    for _ in range(3):
        assert good(peer, link.read(UNIT, 4, 0, 2))
        link.close()


def test_a_file_that_is_no_port_is_told(tmp_path: Path) -> None:
    file = tmp_path / "notes"
    file.write_text("no port")
    with pytest.raises(LineLost, match="notes: check adapter, cable and speed") as told:
        RtuLink(str(file)).open()
    assert "Errno" not in str(told.value)


def test_silence_is_told_and_costs_one_time_out(peer: Peer, link: RtuLink) -> None:
    link.read(UNIT, 4, 0, 2)
    peer.change(fault="silence", rate=1.0)
    took_s = []
    for _ in range(5):
        started_s = monotonic()
        with pytest.raises(NoAnswer, match=r"unit 1: no answer within 0.5 s; check that the device has"):
            link.read(UNIT, 4, 0, 2)
        took_s.append(monotonic() - started_s)
        assert link.timeout_of(UNIT) == 0.5
    assert 0.5 <= min(took_s) < 0.7  # a busy computer makes some longer


def test_a_slow_device_is_given_more_time_and_told(peer: Peer) -> None:
    link = RtuLink(peer.path, baud=BAUD, parity="even", timeout_s=0.5)
    peer.change(fault="slow", rate=1.0, timeout_s=0.5)  # 0.65 s a reply
    with pytest.raises(NoAnswer):
        link.read(UNIT, 4, 0, 2)
    assert good(peer, link.read(UNIT, 4, 0, 2))
    assert 0.65 < link.timeout_of(UNIT) <= 2.5
    assert "answers later than the time-out of 0.5 s" in link.remarks()[0]
    peer.change(fault="none")
    for _ in range(100):
        assert good(peer, link.read(UNIT, 4, 0, 2))
    assert link.timeout_of(UNIT) == 0.5, "a device that is quick again gets the usual time-out back"
    assert link.remarks() == ()
    link.close()


def test_a_time_out_never_grows_beyond_five_times(peer: Peer) -> None:
    peer.change(fault="slow", rate=1.0, timeout_s=0.5)  # 0.65 s a reply
    link = RtuLink(peer.path, baud=BAUD, parity="even", timeout_s=0.05)
    took_s = []
    for _ in range(6):
        started_s = monotonic()
        with pytest.raises(NoAnswer):
            link.read(UNIT, 4, 0, 2)
        took_s.append(monotonic() - started_s)
        assert link.timeout_of(UNIT) <= 0.25
    assert min(took_s) < 0.4  # a busy computer makes some longer
    link.close()


def test_an_answer_that_others_have_overtaken_is_not_believed(peer: Peer) -> None:
    peer.change(turnaround_s=0.010)
    # It falls into the reads after its time-out; a bridge between line and device might do that. The link
    # keeps it in doubt for LONGEST_WAIT time-outs: what a busy computer brings later than that is not judged.
    timeout_s, rounds, struck, believed = 0.03, 0, 0, 0
    while struck < 25 or believed < 15:
        rounds += 1
        assert rounds <= 500, f"only {struck} answers were overtaken, and {believed} values believed"
        link = RtuLink(peer.path, baud=BAUD, parity="even", timeout_s=timeout_s)
        peer.change(fault="overtaken", rate=1.0, timeout_s=timeout_s)  # sent 60 ms after the request
        began_s = monotonic()
        try:
            values = link.read(UNIT, 4, 0, 4)
        except NoAnswer:
            struck += 1
        else:  # held up until it was there: it is the right one, and nothing is overtaken
            assert good(peer, values)
        under_way = peer.change(fault="none")["overtaken"]
        is_alone = under_way <= 1  # a read that was held up may have asked twice: against two nothing guards
        while under_way or monotonic() < began_s + 4 * timeout_s:
            under_way = under_way and peer.change()["overtaken"]
            try:
                values = link.read(UNIT, 4, 0, 4)
            except DeviceError:
                continue
            if is_alone and monotonic() < began_s + LONGEST_WAIT * timeout_s:
                assert good(peer, values)
                believed += 1
        link.close()


@pytest.mark.parametrize("seed", range(3))
def test_answers_of_other_lengths_leave_no_row_of_questions_behind_them(seed: int) -> None:
    with Peer(Plan(baud=BAUD, fault="other_length", rate=1.0, seed=seed)) as peer:
        link = RtuLink(peer.path, baud=BAUD, parity="even", timeout_s=0.5)
        for address in range(12):
            with pytest.raises(DeviceError):
                link.read(UNIT, 4, address, 2)
        before = peer.change(fault="none")["number"]
        assert good(peer, link.read(UNIT, 4, 0, 2))
        # The wanted answer, with a probe before and behind it, and some more on a computer that is held up.
        assert peer.number - before <= 6
        link.close()


def test_an_echo_is_told_with_advice(peer: Peer, link: RtuLink) -> None:
    peer.change(fault="echo_only", rate=1.0)
    for address in (0x0300, 0x0301, 0x03F8, 0x0200, 7):
        with pytest.raises(EchoHeard, match="switch its local echo off"):
            link.read(UNIT, 4, address, 1)
    peer.change(fault="echo_then_reply")
    for address in (0x0300, 0x0301, 0x03F8, 0x0200, 7):
        assert good(peer, link.read(UNIT, 4, address, 1), address)
    assert any("sends our requests back" in remark for remark in link.remarks())


def test_one_dead_unit_does_not_disturb_another(peer: Peer) -> None:
    """Where this process is held up while it sends, a good answer looks early and is doubted for seconds; not
    each time, even on a busy computer."""
    tried: list[list[int]] = []
    while len(tried) < 4 and not any(each.count(1) >= 3 for each in tried):
        tried.append(requests_beside_a_dead_unit(peer))
    assert any(each.count(1) >= 3 for each in tried), f"no probe for a unit that answers: {tried}"


def requests_beside_a_dead_unit(peer: Peer) -> list[int]:
    """How many requests each of five reads of a unit took, behind one of a unit that is not there."""
    requests = []
    with closing(RtuLink(peer.path, baud=BAUD, parity="even", timeout_s=0.5)) as link:
        link.read(UNIT, 4, 0, 2)
        for _ in range(5):
            with pytest.raises(NoAnswer):
                link.read(UNIT + 1, 4, 0, 2)
            before = peer.number
            assert good(peer, link.read(UNIT, 4, 0, 2))
            requests.append(peer.number - before)
    return requests


class InstantDevice(threading.Thread):
    """A port without a wire's pace, as of a device that is a USB device itself: answers at once."""

    def __init__(self, answer: bytes | None = None) -> None:
        super().__init__()
        self.master, self._slave = os.openpty()
        self.path = os.ttyname(self._slave)
        self.requests: list[bytes] = []
        self._answer = answer

    def run(self) -> None:
        while request := os.read(self.master, 8):
            if request == b"end":
                return
            self.requests.append(request)
            values = words(int.from_bytes(request[2:4]), int.from_bytes(request[4:6]), len(self.requests))
            os.write(self.master, self._answer or reply(request[0], request[1], values))

    def __enter__(self) -> InstantDevice:
        self.start()
        return self

    def __exit__(self, *error: object) -> None:
        os.write(self._slave, b"end")
        self.join(5)
        os.close(self.master)
        os.close(self._slave)


class Overtaking(InstantDevice):
    """Keeps its first answer back, and sends it in one go with the next one of that length, and before it."""

    def run(self) -> None:
        kept = b""
        while (request := os.read(self.master, 8)) != b"end":
            self.requests.append(request)
            values = words(int.from_bytes(request[2:4]), int.from_bytes(request[4:6]), len(self.requests))
            answer = reply(request[0], request[1], values)
            if len(self.requests) == 1:
                kept = answer
                continue
            sleep(0.012)
            if len(answer) == len(kept):
                answer, kept = kept + answer, b""
            os.write(self.master, answer)


def test_an_overtaken_answer_that_is_heard_together_with_the_true_one_is_not_believed() -> None:
    # A busy computer reads the port seldom: both lie there when it does.
    with Overtaking() as device:
        link = RtuLink(device.path, baud=BAUD, timeout_s=0.2)
        with pytest.raises(NoAnswer):
            link.read(UNIT, 4, 0, 4)
        values = link.read(UNIT, 4, 0, 4)
        asked = [number for number, request in enumerate(device.requests, 1) if request[5] == 4]
        assert values == words(0, 4, asked[-1])
        link.close()


class LateEchoes(InstantDevice):
    """An adapter that echoes, on a long way: nothing of the first requests comes for a while, then the first
    one's echo, with the next request its answer, and from then on all that there is, in order."""

    def run(self) -> None:
        under_way: list[bytes] = []
        while (request := os.read(self.master, 8)) != b"end":
            self.requests.append(request)
            values = words(int.from_bytes(request[2:4]), int.from_bytes(request[4:6]), len(self.requests))
            under_way += [request, reply(request[0], request[1], values)]
            if len(self.requests) <= LONG_AGO:
                continue
            for _ in range(1 if len(self.requests) <= LONG_AGO + 2 else len(under_way)):
                sleep(0.012)
                os.write(self.master, under_way.pop(0))


LONG_AGO = LONGEST_WAIT + 2
"""So many unanswered reads, each a time-out long, and an answer is no longer waited for."""


def test_an_echo_that_comes_late_is_not_taken_for_an_answer() -> None:
    # Of a read at 0x03F8 the echo, with its address in the place of the byte count, is a sound answer to
    # another question. It would tell that the first request had its answer, which is still to come.
    with LateEchoes() as device:
        link = RtuLink(device.path, baud=BAUD, timeout_s=0.1)
        good_ones = 0
        for address in range(0x0300, 0x0310):
            try:
                values = link.read(UNIT, 4, address, 4)
            except DeviceError:
                continue
            asked = [number for number, request in enumerate(device.requests, 1) if request[5] == 4]
            assert values == words(address, 4, asked[-1]), f"{address - 0x0300}"
            good_ones += 1
        assert good_ones >= 3
        link.close()


def test_a_port_that_is_no_wire_is_proved_so_before_it_is_believed() -> None:
    with InstantDevice() as device:
        link = RtuLink(device.path, baud=SLOW_BAUD, timeout_s=0.2)
        assert link.read(UNIT, 4, 0, 4) == words(0, 4, len(device.requests))
        counts = [int.from_bytes(request[4:6]) for request in device.requests]
        assert counts == [4, 1, 2, 4], "three early answers of different lengths, then the reading"
        assert f"faster than {SLOW_BAUD} bit/s allow" in link.remarks()[0]
        assert link.read(UNIT, 4, 0, 4) == words(0, 4, 5), "no further probe"
        link.close()


def test_the_same_answer_to_every_question_is_never_believed() -> None:
    with InstantDevice(reply(UNIT, 4, (1, 2, 3, 4))) as device:
        link = RtuLink(device.path, baud=SLOW_BAUD, timeout_s=0.1)
        for _ in range(5):
            with pytest.raises(DeviceError):
                link.read(UNIT, 4, 0, 4)
        link.close()


def test_an_instant_refusal_is_still_a_refusal() -> None:
    with InstantDevice(exception(UNIT, 4, 2)) as device:
        link = RtuLink(device.path, baud=9600, timeout_s=0.1)
        with pytest.raises(DeviceError, match="illegal data address"):
            link.read(UNIT, 4, 0, 4)
        link.close()


def test_a_line_that_is_never_silent_is_told() -> None:
    master, slave = os.openpty()
    link = RtuLink(os.ttyname(slave), baud=300, timeout_s=0.1)  # t3.5 is 128 ms
    link.open()
    ended = threading.Event()

    def babble() -> None:
        while not ended.wait(0.001):
            os.write(master, b"\xff")

    noise = threading.Thread(target=babble)
    noise.start()
    try:
        sleep(0.01)
        told = ""
        for _ in range(10):  # what babbles may be held up itself for longer than a silence
            with pytest.raises(BadFrame) as refused:
                link.read(UNIT, 4, 0, 2)
            told = str(refused.value)
            if "never falls silent" in told:
                break
        assert "never falls silent" in told
    finally:
        ended.set()
        noise.join()
        link.close()
        os.close(slave)
        os.close(master)


@pytest.mark.parametrize(
    ("arguments", "advice"),
    [
        ((1, 6, 0, 1), "only reads"),
        ((1, 16, 0, 1), "only reads"),
        ((0, 4, 0, 1), "unit 0"),
        ((248, 4, 0, 1), "unit 248"),
        ((1, 4, 0, 0), "count 0"),
        ((1, 4, 0, 126), "count 126"),
        ((1, 4, -1, 1), "address -1"),
        ((1, 4, 65535, 2), "65535 to 65536"),
    ],
)
def test_an_impossible_read_is_refused_by_both(arguments: tuple[int, int, int, int], advice: str) -> None:
    for link in (RtuLink("/dev/null"), TcpLink("127.0.0.1", 1)):
        with pytest.raises(ValueError, match=advice):
            link.read(*arguments)


@pytest.mark.parametrize("kind", [RtuLink, lambda name, timeout_s: TcpLink(name, 502, timeout_s=timeout_s)])
def test_a_time_out_that_is_none_is_refused(kind: type[RtuLink]) -> None:
    with pytest.raises(ValueError, match="timeout_s 0"):
        kind("charger", timeout_s=0)


def test_nobody_listens_then_a_server_appears() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    link = TcpLink("127.0.0.1", port, timeout_s=0.3)
    with pytest.raises(LineLost, match=rf"127.0.0.1:{port}: no connection; check that the device has power"):
        link.read(UNIT, 4, 0, 2)
    with TcpPeer(TcpPlan(), port) as peer:
        assert link.read(UNIT, 4, 0, 2) == words(0, 2, peer.number)
        link.close()


def test_a_connection_that_the_device_closed_meanwhile_is_made_anew() -> None:
    with TcpPeer(TcpPlan()) as peer:
        link = TcpLink("127.0.0.1", peer.port, timeout_s=0.3)
        link.read(UNIT, 4, 0, 2)
        peer.hang_up()
        assert link.read(UNIT, 4, 0, 2) == words(0, 2, peer.number), "idle connections end; no poll is lost"
        link.close()
        link.close()


def test_a_server_of_another_kind_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = TcpLink("127.0.0.1", server.getsockname()[1], timeout_s=0.3)

        def answer() -> None:
            connection, _ = server.accept()
            with connection:
                connection.recv(12)
                connection.sendall(b"SSH-2.0-other\r\n")
                connection.recv(1)

        other = threading.Thread(target=answer)
        other.start()
        with pytest.raises((BadFrame, ForeignReply), match="Modbus TCP"):
            link.read(UNIT, 4, 0, 2)
        other.join(5)
