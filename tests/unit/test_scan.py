"""A scan reads every readable register of a device that nobody has described, politely.

The devices are the tests' own, on sockets and pseudo-terminals: random maps with holes, limits of their own,
devices that stay silent or answer for what they do not have.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.clock import SystemClock
from monitor.devices.asking import Asker
from monitor.devices.dump import DumpError
from monitor.devices.link import RegisterLink
from monitor.devices.places import Places, PlacesError, Run, save_places
from monitor.devices.rtu import RtuLink
from monitor.devices.scan import Snapshot, places_file, scan
from monitor.devices.search import Reach, Search, probes
from monitor.devices.tcp import TcpLink
from monitor.errors import NoAnswer
from tests.unit.far_ends import Manners, Registers, RtuFarEnd, TcpFarEnd
from tests.wiretap import WireTap, requests_in

COMMAND = (sys.executable, "-c", "from monitor.cli import main; main()", "scan")
SMALL: Registers = {(3, 40 + at): 1000 + at for at in range(5)} | {(4, 700 + at): at for at in range(40)}


@pytest.fixture
def serve() -> Iterator[type]:
    """serve(registers, manners) -> a far end on a socket, closed with the test."""
    served: list[TcpFarEnd] = []

    def start(registers: Registers, manners: Manners | None = None) -> TcpFarEnd:
        served.append(TcpFarEnd({1: registers}, manners=manners))
        return served[-1]

    yield start
    for far_end in served:
        far_end.close()


def link_to(far_end: TcpFarEnd, timeout_s: float = 1.0) -> TcpLink:
    return TcpLink("127.0.0.1", far_end.port, timeout_s=timeout_s)


def snapshot_of(
    link: RegisterLink, file: Path, reach: Reach = Reach.QUICK, largest: int | None = None
) -> Snapshot:
    (*_, last) = scan(link, 1, file, SystemClock(), reach, largest, pause_s=0)
    assert last.snapshot is not None
    return last.snapshot


def random_map(rng: random.Random, groups: int) -> Registers:
    """Groups of registers that begin at round addresses, some with single holes."""
    registers: Registers = {}
    for _ in range(groups):
        function, first = rng.choice((3, 4)), rng.choice((rng.randrange(10) * 100, rng.randrange(200) * 256))
        for address in range(first, first + rng.choice((6, 30, 110, 300))):
            if rng.random() < 0.95 or address == first:
                registers[function, address] = rng.randrange(65536)
    return registers


def requested(far_end: TcpFarEnd) -> list[int]:
    """How many registers each request asked for; every one is a read."""
    assert {request[1] for request in far_end.requests} <= {3, 4}
    return [int.from_bytes(request[4:6], "big") for request in far_end.requests]


@pytest.mark.parametrize(("largest", "too_many"), [(125, 3), (24, 3), (16, 2), (60, 2)])
def test_every_register_of_a_random_map_is_read(
    serve, tmp_path: Path, largest: int, too_many: int, seed: int
) -> None:
    registers = random_map(random.Random(f"{seed}/{largest}"), 8)
    far_end = serve(registers, Manners(largest, too_many))
    file = tmp_path / "dump.csv"
    first = snapshot_of(link_to(far_end), file)
    assert {(function, address): word for function, address, word in first.rows} == registers
    assert sum(count > largest for count in requested(far_end)) <= 2  # what it takes to learn the limit
    searched = len(far_end.requests)
    second = snapshot_of(link_to(far_end), file)
    assert second.rows == first.rows
    again = requested(far_end)[searched:]
    assert max(again) <= largest
    assert len(again) == second.requests <= len(registers) / first.places.largest + len(first.places.runs)
    assert len(again) < searched / 10


def test_small_groups_among_larger_ones_are_found(serve, tmp_path: Path, seed: int) -> None:
    """One to three registers each, up to 300 from the next, at no round addresses, of both functions."""
    rng = random.Random(f"{seed}/small")
    registers: Registers = {(4, 6000 + at): at for at in range(40)}
    address = 6040
    for _ in range(8):
        address += rng.randrange(20, 300)
        registers |= {
            (rng.choice((3, 4)), address + at): rng.randrange(65536) for at in range(rng.randrange(1, 4))
        }
    found = snapshot_of(link_to(serve(registers)), tmp_path / "dump.csv", Reach.USUAL)
    assert {(function, place): word for function, place, word in found.rows} == registers


def test_a_known_limit_is_never_exceeded(serve, tmp_path: Path) -> None:
    far_end = serve(SMALL, Manners(largest=10))
    assert len(snapshot_of(link_to(far_end), tmp_path / "dump.csv", largest=10).rows) == len(SMALL)
    assert max(requested(far_end)) <= 10


def test_the_dump_is_written_as_agreed(serve, tmp_path: Path) -> None:
    """Header and columns of the format; two snapshots never share a second."""
    far_end = serve({(3, 0): 7, (4, 1): 65535})
    file = tmp_path / "dump.csv"
    first, second = (snapshot_of(link_to(far_end), file).time for _ in range(2))
    assert file.read_text() == (
        f"time,function,address,word\n{first},3,0,7\n{first},4,1,65535\n{second},3,0,7\n{second},4,1,65535\n"
    )
    assert first < second
    assert len(first) == len("2026-11-26T06:45:00Z")


def test_a_device_that_answers_nought_for_what_it_lacks_is_noticed(serve, tmp_path: Path) -> None:
    registers = {(4, 3000 + at): 100 + at for at in range(20)}
    found = snapshot_of(link_to(serve(registers, Manners(absent=0))), tmp_path / "dump.csv")
    told = {(function, address): word for function, address, word in found.rows}
    assert registers.items() <= told.items()
    assert len(told) < 300  # the registers, with a margin of what is nought now
    assert "Function 4: long stretches answer 0" in " ".join(found.places.remarks)
    assert "Function 3: every register that answers holds 0" in " ".join(found.places.remarks)


def test_a_device_that_is_nought_everywhere_is_told_as_such(serve, tmp_path: Path) -> None:
    with pytest.raises(NoAnswer, match=r"every register that answers holds 0.*asleep"):
        snapshot_of(link_to(serve({}, Manners(absent=0))), tmp_path / "dump.csv")


def test_a_device_that_stays_silent_for_what_it_lacks_is_read_none_the_less() -> None:
    """By the link's own count of silences; no wire, so that no time-out has to pass two thousand times."""

    class Silent:
        name = "silent"
        asked = 0

        def settle(self, unit: int) -> None: ...

        def read(self, unit: int, function: int, address: int, count: int) -> tuple[int, ...]:
            self.asked += 1
            try:
                return tuple(SMALL[function, at] for at in range(address, address + count))
            except KeyError:
                raise NoAnswer("silent") from None

    link = Silent()
    search = Search(Asker(link, 1, pause_s=0), Reach.USUAL)
    for _ in search.steps():
        pass
    assert search.found().registers == len(SMALL)
    assert "keeps silent for registers it does not have" in search.found().remarks[0]
    assert link.asked < 2.5 * len(probes(Reach.QUICK))


def test_a_device_without_one_of_the_functions_is_asked_for_it_a_few_times_only(
    serve, tmp_path: Path
) -> None:
    far_end = serve(SMALL, Manners(functions=(4,)))
    found = snapshot_of(link_to(far_end), tmp_path / "dump.csv")
    assert {function for function, _, _ in found.rows} == {4}
    assert sum(request[1] == 3 for request in far_end.requests) < 10


def test_a_device_that_was_taken_away_is_told_and_leaves_the_dump_as_it_was(serve, tmp_path: Path) -> None:
    far_end = serve(SMALL)
    file = tmp_path / "dump.csv"
    snapshot_of(link_to(far_end), file)
    before = file.read_bytes()
    far_end.units.clear()
    with pytest.raises(NoAnswer, match="none of the registers"):
        snapshot_of(link_to(far_end, timeout_s=0.05), file)
    assert file.read_bytes() == before


def test_registers_that_have_gone_are_absent_and_told(serve, tmp_path: Path) -> None:
    far_end = serve(dict(SMALL))
    snapshot_of(link_to(far_end), tmp_path / "dump.csv")
    del far_end.units[1][4, 710]
    found = snapshot_of(link_to(far_end), tmp_path / "dump.csv")
    assert len(found.rows) == len(SMALL) - 1
    assert (4, 710) not in {(function, address) for function, address, _ in found.rows}
    assert "1 register that answered before did not" in found.places.remarks[-1]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("time;function;address;word\n", "line 1 must be 'time,function,address,word'"),
        ("time,function,address,word\n2026-11-26T06:45:00Z,3,0", "last line is cut off"),
    ],
)
def test_a_file_that_is_no_dump_is_left_alone(serve, tmp_path: Path, content: str, told: str) -> None:
    file = tmp_path / "dump.csv"
    file.write_text(content)
    far_end = serve(SMALL)
    with pytest.raises(DumpError, match=told):
        snapshot_of(link_to(far_end), file)
    assert file.read_text() == content
    assert not far_end.requests


def test_places_of_another_device_or_of_nobody_are_refused(serve, tmp_path: Path) -> None:
    file = tmp_path / "dump.csv"
    save_places(Places((Run(3, 0, 1),), 125), places_file(file), "somewhere, unit 9")
    with pytest.raises(PlacesError, match=r"of somewhere, unit 9, not of 127\.0\.0\.1"):
        snapshot_of(link_to(serve(SMALL)), file)
    for damaged in (
        "[]",
        '{"runs": 3}',
        "{",
        '{"device":"a","runs":[{"function":6,"first":0,"count":1}],"largest":1,"remarks":[]}',
    ):
        places_file(file).write_text(damaged)
        with pytest.raises(PlacesError, match="remove it, and they are looked for anew"):
            snapshot_of(link_to(serve(SMALL)), file)


# On a serial line, through the command


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[tuple[RtuFarEnd, WireTap]]:
    """A device on a pseudo-terminal behind a tap."""
    far_end = RtuFarEnd(tmp_path / "far", {1: SMALL}, baud=115200, manners=Manners(largest=24), thought_s=0.0)
    tap = WireTap(str(far_end.link), tmp_path / "port")
    yield far_end, tap
    tap.close()
    far_end.close()


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *map(str, arguments)], capture_output=True, text=True, check=False, env=os.environ
    )


def test_a_serial_device_is_searched_and_only_reads_are_on_the_wire(wire, tmp_path: Path) -> None:
    """The frames as they went over the line: eight bytes each, function 3 or 4, at most two over the device's
    limit. The command then goes on with what was learnt, in a few requests."""
    _, tap = wire
    out = tmp_path / "dump.csv"
    link = RtuLink(str(tap.path), baud=115200, timeout_s=0.2)
    found = snapshot_of(link, out)
    link.close()
    assert {(function, address): word for function, address, word in found.rows} == SMALL
    searched = len(requests_in(bytes(tap.asked)))
    done = run(tap.path, "--baud", 115200, "--out", out, "--again", 1, "--every", 1, "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert [(one["registers"], one["requests"]) for one in told["snapshots"]] == [
        (len(SMALL), found.requests)
    ] * 2
    rows = [line.split(",") for line in out.read_text().splitlines()[1:]]
    assert {row[0] for row in rows} == {found.time, *(one["time"] for one in told["snapshots"])}
    requests = requests_in(bytes(tap.asked))
    assert {len(request) for request in requests} == {8}
    assert {request[1] for request in requests} == {3, 4}
    assert sum(int.from_bytes(request[4:6], "big") > 24 for request in requests) <= 2
    assert len(requests) - searched < 20


def test_a_port_that_the_monitor_holds_is_refused_and_not_a_byte_is_sent(wire, tmp_path: Path) -> None:
    _, tap = wire
    monitor = RtuLink(str(tap.path))
    monitor.open()
    done = run(tap.path, "--out", tmp_path / "dump.csv")
    monitor.close()
    assert done.returncode == 1
    assert "another program holds the port" in done.stderr
    assert "Errno" not in done.stderr
    assert not tap.asked
    assert not (tmp_path / "dump.csv").exists()


def test_a_line_that_is_not_there_is_told(tmp_path: Path) -> None:
    done = run(tmp_path / "nowhere", "--out", tmp_path / "dump.csv")
    assert done.returncode == 1
    assert "there is no such port" in done.stderr
    done = run("127.0.0.1:1", "--out", tmp_path / "dump.csv")
    assert (done.returncode, done.stdout) == (1, "")
    assert "127.0.0.1:1: no connection" in done.stderr
    assert run("127.0.0.1:99999", "--out", tmp_path / "dump.csv").returncode == 2


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("ttyUSB77", "/dev/ttyUSB77: there is no such port; plug the adapter in or correct its name"),
        (
            "",
            "Invalid value for LINE: '' is no address; write 192.0.2.10 or 192.0.2.10:502, or a serial port",
        ),
        ("ttyS0:502", "ttyS0 is a serial port, not a host; write /dev/ttyS0"),
        ("hut:x", "Invalid value for LINE: 'hut:x' is no address"),
        ("192.0.2.10 ", "Invalid value for LINE"),
    ],
)
def test_a_line_is_taken_for_what_it_is(tmp_path: Path, line: str, told: str) -> None:
    """A serial port without its folder is no host; what is no line at all blames no option."""
    result = CliRunner().invoke(main, ["scan", line, "--out", str(tmp_path / "dump.csv")])
    assert result.exit_code in (1, 2)
    assert told in result.output
    assert "site file" not in result.output
    assert "next poll" not in result.output
