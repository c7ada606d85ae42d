"""A device that tells the time in lines of text: what a line says, when lines are believed, who is stronger.

Sentences RMC and ZDA of NMEA 0183: two of them with their own checksums are quoted in public descriptions of
the standard's sentences; others are made here of the same form, the sum computed.
"""

from __future__ import annotations

import os
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.clock import CountClock
from monitor.clock.course import Course
from monitor.clock.kernel import Kernel
from monitor.clock.receiver import AGREE_MS, LINES, SPAN_MS, Agreement, TimeTold
from monitor.clock.steady import (
    BELIEVED_MS,
    CHIP,
    EARLIEST_MS,
    HOST,
    NETWORK,
    PERSON,
    RECEIVER,
    SteadyClock,
    Word,
    heard,
)
from monitor.devices.health import HealthRecord
from monitor.devices.line_time import LineTime, time_of
from monitor.devices.port import SerialPort
from monitor.devices.profile import TextProfile
from monitor.devices.profile_file import load_profile
from monitor.devices.text_device import TextDevice
from monitor.devices.timing import LineTiming
from monitor.errors import BadFrame, NoAnswer, ProfileError
from monitor.poll import poll_once
from monitor.records import parse_iso

T0 = parse_iso("2026-06-21T10:00:00Z")
SECOND, HOUR = 1_000, 3_600_000

RMC_PROFILE = """
protocol = "text"
about = "Receiver of satellite time on the roof"
source = "NMEA 0183, RMC"
form = "columns"
start = "$"
separator = ","
checksum = "xor"

[time]
only_where = { 0 = ["GPRMC", "GNRMC"] }
valid = { 2 = "A" }
time = 1
date = 9
"""
ZDA_PROFILE = RMC_PROFILE.replace('valid = { 2 = "A" }\n', "").replace("date = 9", "date = [2, 3, 4]")
ZDA_PROFILE = ZDA_PROFILE.replace('["GPRMC", "GNRMC"]', '"GPZDA"')


def profile_of(folder: Path, text: str = RMC_PROFILE) -> TextProfile:
    (folder / "receiver.toml").write_text(text, encoding="utf-8")
    profile = load_profile(folder / "receiver.toml")
    assert isinstance(profile, TextProfile)
    return profile


def sentence(body: str) -> bytes:
    total = 0
    for character in body.encode():
        total ^= character
    return f"${body}*{total:02X}".encode()


def rmc(at: str, date: str, status: str = "A", talker: str = "GP") -> bytes:
    return sentence(f"{talker}RMC,{at},{status},4916.45,N,12311.12,W,000.5,054.7,{date},020.3,E")


# --- one line ---


def test_published_sentences_tell_their_time(tmp_path: Path) -> None:
    """RMC of 19 November 1994 and ZDA of 11 March 2004, with the sums that they are published with."""
    told = time_of(
        profile_of(tmp_path), b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68"
    )
    assert told == LineTime(parse_iso("1994-11-19T22:54:46Z"))
    told = time_of(profile_of(tmp_path, ZDA_PROFILE), b"$GPZDA,160012.71,11,03,2004,-1,00*7D")
    assert told == LineTime(parse_iso("2004-03-11T16:00:12Z") + 710)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (rmc("100000.00", "210626"), LineTime(T0)),
        (rmc("100000.25", "210626", talker="GN"), LineTime(T0 + 250)),
        (rmc("120000", "290228"), LineTime(parse_iso("2028-02-29T12:00:00Z"))),
        (rmc("100000.00", "210626", "V"), LineTime(None)),
        (rmc("", "", "V"), LineTime(None)),
        (rmc("", "", "A"), LineTime(None)),
        (rmc("235960.00", "311226"), LineTime(None)),
        (rmc("100000.00", "210626", talker="GL"), None),
        (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", None),  # from memory
    ],
    ids=["valid", "fraction", "leap day", "void", "void, empty", "empty", "leap second", "another", "GGA"],
)
def test_a_sound_line_tells_the_time_or_none(tmp_path: Path, line: bytes, told: LineTime | None) -> None:
    assert time_of(profile_of(tmp_path), line) == told


@pytest.mark.parametrize(
    ("at", "date"),
    [
        ("100000", "310626"),
        ("100000", "290226"),
        ("100000", "210026"),
        ("240000", "210626"),
        ("106000", "210626"),
        ("100060", "210626"),
        ("1000", "210626"),
        ("10000x", "210626"),
        ("100000", "21062026"),
        ("-10000", "210626"),
    ],
)
def test_a_time_that_cannot_be_is_refused_with_its_line(tmp_path: Path, at: str, date: str) -> None:
    with pytest.raises(BadFrame, match=r"cannot be|is no time and date"):
        time_of(profile_of(tmp_path), rmc(at, date))


def test_one_changed_character_never_tells_a_time(tmp_path: Path) -> None:
    profile, line = profile_of(tmp_path), rmc("100000.00", "210626")
    for place in range(1, len(line)):
        changed = bytearray(line)
        changed[place] ^= 1
        with pytest.raises(BadFrame):
            time_of(profile, bytes(changed))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('checksum = "xor"', 'checksum = "none"', r"checksum: a damaged digit would be another time"),
        ('form = "columns"', 'form = "pairs"', r'time: goes with form = "columns" only'),
        ("date = 9", "date = 1", r"time.date: each part of time and date has a column of its own"),
        ("date = 9", "date = [2, 3]", r"time.date"),
        ("valid = { 2", "valid = { two", r"time.valid.two: the key is a column's number"),
        ("valid =", "vald =", r"time.vald: unknown key; did you mean .*valid"),
        (RMC_PROFILE[RMC_PROFILE.index("[time]") :], "", r"fields: is missing; add it, or \[time\]"),
    ],
)
def test_a_table_that_cannot_be_used_is_told_with_its_key(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    assert old in RMC_PROFILE
    with pytest.raises(ProfileError, match=told):
        profile_of(tmp_path, RMC_PROFILE.replace(old, new))


# --- several lines ---


def told_each(step_ms: int, number: int, *, late_ms: tuple[int, ...] = (0,)) -> list[TimeTold]:
    counts = [5_000 + index * step_ms for index in range(number)]
    return [TimeTold(T0 + count, count + late_ms[index % len(late_ms)]) for index, count in enumerate(counts)]


@pytest.mark.parametrize("step_ms", [200, SECOND, 5 * SECOND, 60 * SECOND, HOUR])
def test_lines_are_believed_when_enough_of_them_have_agreed_for_long_enough(step_ms: int) -> None:
    agreement = Agreement()
    words = [agreement.hear(told) for told in told_each(step_ms, 60)]
    first = next(index for index, word in enumerate(words) if word is not None)
    assert first == max(LINES - 1, -(-SPAN_MS // step_ms))
    assert all(word is not None and word.utc_ms - word.count_ms == T0 for word in words[first:])


def test_of_lines_that_come_late_the_soonest_is_right() -> None:
    agreement = Agreement()
    words = [agreement.hear(told) for told in told_each(SECOND, 20, late_ms=(600, 150, 900))]
    assert words[-1] is not None
    assert words[-1].utc_ms - words[-1].count_ms == T0 - 150


@pytest.mark.parametrize("off_ms", [-2 * AGREE_MS, 2 * AGREE_MS, 24 * HOUR, -1024 * 7 * 24 * HOUR])
def test_one_line_that_disagrees_is_not_believed_and_has_all_begin_anew(off_ms: int) -> None:
    agreement, lines = Agreement(), told_each(SECOND, 60)
    lines[30] = replace(lines[30], utc_ms=lines[30].utc_ms + off_ms)
    words = [agreement.hear(told) for told in lines]
    assert words[29] is not None
    assert words[30 : 31 + SPAN_MS // SECOND] == [None] * (1 + SPAN_MS // SECOND)
    assert all(word is None or word.utc_ms - word.count_ms == T0 for word in words)
    assert words[-1] is not None


def test_a_time_that_stands_still_is_never_believed() -> None:
    agreement = Agreement()
    assert not any(agreement.hear(TimeTold(T0, count)) for count in range(0, 10 * HOUR, 5_000))


# --- whom the monitor believes ---


@pytest.mark.parametrize(
    ("before", "after", "is_believed"),
    [
        ("", RECEIVER, True),
        (CHIP, RECEIVER, True),
        (HOST, RECEIVER, True),
        (NETWORK, RECEIVER, False),
        (PERSON, RECEIVER, False),
        (RECEIVER, NETWORK, True),
        (RECEIVER, PERSON, True),
        (RECEIVER, HOST, False),
        (RECEIVER, CHIP, False),
    ],
)
def test_a_receiver_overrules_chip_and_host_but_neither_network_nor_person(
    before: str, after: str, is_believed: bool
) -> None:
    course = Course("this boot", T0)
    if before:
        course = heard(course, Word(before, T0 + 10_000, 10_000))
    course = heard(course, Word(after, T0 + 2 * HOUR, HOUR))
    assert course.utc_ms(HOUR) == T0 + (2 * HOUR if is_believed else HOUR)
    assert bool(course.disagrees) != is_believed


class Board(Kernel):
    """A board without a chip; a test says whether a network tells the time."""

    def __init__(self, root: Path) -> None:
        super().__init__(root, lambda: self.network, "aarch64")
        self.network, self.count, self.system = False, 60_000, 0

    def count_ms(self) -> int:
        return self.count

    def system_ms(self) -> int:
        return self.system


def test_while_the_network_speaks_the_receiver_moves_nothing(tmp_path: Path) -> None:
    board = Board(tmp_path)
    clock = SteadyClock.start(board, None, None)
    clock.receive(Word(RECEIVER, T0, board.count))
    assert clock.look() is not None
    assert (clock.now_ms(), clock.course.source) == (T0, RECEIVER)
    board.network, board.system = True, T0 + 5_000
    clock.look()
    for _ in range(3):
        clock.receive(Word(RECEIVER, T0, board.count))
        clock.look()
        assert (clock.now_ms(), clock.course.source) == (T0 + 5_000, NETWORK)
    board.network = False
    clock.receive(Word(RECEIVER, T0 + 2_000, board.count))
    clock.look()
    assert clock.course.source == RECEIVER


def test_a_receiver_that_counts_weeks_anew_is_refused_with_the_reason(tmp_path: Path) -> None:
    """1024 weeks: the week number of the signal has ten bits (the interface specification of the satellites'
    signal, from memory)."""
    board = Board(tmp_path)
    clock = SteadyClock.start(board, None, T0)
    begun_anew_ms = T0 - 1024 * 7 * 24 * HOUR
    assert begun_anew_ms < EARLIEST_MS
    assert "1024" in clock.refusal(Word(RECEIVER, begun_anew_ms, 0))
    assert "before readings" in clock.refusal(Word(RECEIVER, T0 - BELIEVED_MS - 1, 0))
    assert clock.refusal(Word(RECEIVER, T0 - BELIEVED_MS, 0)) == ""
    assert clock.refusal(Word(RECEIVER, T0 + 3652 * 24 * HOUR, 0)) == ""


# --- a device on a pty ---


def test_a_device_that_tells_only_the_time_answers_and_old_lines_tell_none(tmp_path: Path) -> None:
    profile = replace(profile_of(tmp_path), interval_s=0.1)
    near, far = os.openpty()
    port = SerialPort(os.ttyname(far), LineTiming(9600, "none", 1))
    health, clock = HealthRecord("roof", "pty", 0), CountClock(Kernel())
    device = TextDevice("roof", profile, port, 0.4, 1.0, health, clock)
    stop, sent_ms = threading.Event(), []

    def send() -> None:
        while len(sent_ms) < 60 and not stop.wait(0.05):
            sent_ms.append(clock.now_ms())
            os.write(near, rmc(f"10{len(sent_ms) - 1:02d}00", "210626") + b"\r\n")

    sender = threading.Thread(target=send)
    sender.start()
    try:
        for _ in range(2):
            begun_ms = clock.now_ms()
            result = poll_once(device)
            assert (result.error, result.readings, result.health.state) == (None, (), "answering")
            (told,) = result.times
            # a line that was sent before the poll began had been waiting; it tells no time
            assert sent_ms[(told.utc_ms - T0) // 60_000] >= begun_ms - 50
            time.sleep(0.1)
        stop.set()
        sender.join()
        assert poll_once(device).times == ()
        os.write(near, rmc("100000", "210626", "V") + b"\r\n")
        result = poll_once(device)
        assert (result.error, result.times) == (None, ())
        assert "does not know the time" in result.health.remark
    finally:
        stop.set()
        sender.join()
        device.close()
        os.close(near)
        os.close(far)


VALUE_AND_TIME = (
    RMC_PROFILE
    + """
[[fields]]
quantity = "battery_voltage_V"
only_where = { 0 = "IIXDR" }
column = 2
unit = "V"
"""
)


def test_a_line_that_tells_the_time_is_no_answer_where_values_are_asked_for(tmp_path: Path) -> None:
    profile = replace(profile_of(tmp_path, VALUE_AND_TIME), interval_s=0.1)
    near, far = os.openpty()
    port = SerialPort(os.ttyname(far), LineTiming(9600, "none", 1))
    device = TextDevice("roof", profile, port, 0.1, 1.0, HealthRecord("roof", "pty", 0), CountClock(Kernel()))
    try:
        port.open()
        os.write(near, b"\r\n" + rmc("100000", "210626") + b"\r\n")
        assert isinstance(poll_once(device).error, NoAnswer)
        os.write(near, sentence("IIXDR,U,12.64,V,BATT") + b"\r\n")
        result = poll_once(device)  # the time's line does not come, which takes nothing from the value
        assert [reading.value for reading in result.readings] == [12.64]
    finally:
        device.close()
        os.close(near)
        os.close(far)
