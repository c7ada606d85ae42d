"""Drawn register maps, from dump and display to a profile that the daemon's reader takes.

The maps and the supplies behind them come from a seed that each run draws and a failure prints;
`python -m tests.bench.match_maps` judges more of them and prints the shares.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.clock import SystemClock
from monitor.devices.health import HealthRecord
from monitor.devices.link import RegisterLink
from monitor.devices.planner import NETWORK_COST
from monitor.devices.profile import ModbusProfile
from monitor.devices.profile_file import load_profile
from monitor.devices.registers import RegisterDevice
from monitor.devices.rtu import RtuLink
from monitor.devices.scan import scan
from monitor.devices.search import Reach
from monitor.devices.tcp import TcpLink
from monitor.match.answer import document, match
from monitor.match.dump import load_dump
from monitor.match.habits import SOUGHT
from monitor.match.seen import load_seen, shown
from monitor.records import Quality
from simulator.line import SerialEnd
from simulator.maps.case import Case, draw_case, write_dump, write_seen
from simulator.maps.device import MapDevice
from simulator.modbus_device import RtuServer
from simulator.tcp_server import TcpServer
from simulator.worker import Worker
from tests.bench.match_maps import drawn, judge
from tests.maps.judge import has_twin, readings, value_of
from tests.maps.plain import plain_match

SEED = 4001  # a fixed one: of so few maps, some draws hold a device of which little can be found
EACH = 2
"""So many maps of each kind: enough to notice a matcher that has gone wrong, not to measure a share."""

BAUD = 115_200


@pytest.fixture(scope="module")
def cases() -> dict[str, list[Case]]:
    print(f"seed {SEED}")
    return {
        kind: [draw_case(SEED + n, kind) for n in range(EACH)]  # type: ignore[arg-type]
        for kind in ("ordinary", "nasty", "scattered")
    }


def counted(cases: list[Case], looks: int, plain: bool = False) -> tuple[Counter[str], list[str]]:
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    for case in cases:
        dump, read = readings(case, looks)
        found = plain_match(dump, read) if plain else document(match(dump, read), None)["quantities"]
        wrong += judge(case, looks, found, counts)
    return counts, wrong


@pytest.mark.parametrize("kind", ["ordinary", "nasty", "scattered"])
def test_nothing_wrong_is_called_certain(cases, kind):
    for looks in (1, 2, 3):
        counts, wrong = counted(cases[kind], looks)
        assert counts["carried"] > 0
        assert wrong == [], f"seed {SEED}, {looks} looks"


@pytest.mark.parametrize("kind", ["other", "other-nasty"])
def test_nothing_wrong_is_called_certain_on_maps_of_another_make(kind):
    counts, wrong = counted([drawn(SEED + n, kind, 3, 0.1) for n in range(EACH)], 3)
    assert counts["carried"] > 0
    assert wrong == [], f"seed {SEED}"


def test_most_is_found_and_more_than_by_the_obvious_scan(cases):
    every = [case for some in cases.values() for case in some]
    ours, plain = counted(every, 3)[0], counted(every, 3, plain=True)[0]
    assert ours["right"] > plain["right"], f"seed {SEED}"
    assert ours["right"] >= 0.7 * ours["carried"], f"seed {SEED}"


def test_the_maker_draws_gaps_limits_and_what_no_register_carries(cases):
    for case in cases["nasty"]:
        words = case.map.snapshot(case.moments[0].now)
        assert len(words) >= 100
        assert all(0 <= word <= 0xFFFF for word in words.values())
        assert 1 <= case.map.largest_request <= 125
    every = [case for some in cases.values() for case in some]
    assert any(quantity not in case.map.carried for case in every for quantity in case.display.steps)
    assert any(
        has_twin(case, quantity, 3)
        for case in every
        for quantity in case.map.carried
        if quantity in case.display.steps
    )


def test_a_seed_draws_the_same_case_again(cases):
    (first, *_), again = cases["nasty"], draw_case(SEED, "nasty")
    assert again.snapshots(3) == first.snapshots(3)
    assert again.seen(3) == first.seen(3)


def test_files_say_what_the_case_says(cases, tmp_path):
    case = cases["ordinary"][0]
    write_dump(tmp_path / "dump.csv", case.snapshots(3))
    write_seen(tmp_path / "seen.toml", case.seen(3))
    dump = load_dump(tmp_path / "dump.csv")
    assert (dump, load_seen(tmp_path / "seen.toml", dump)) == readings(case, 3)


# from the files to a device that the daemon reads


@contextmanager
def served(case: Case, folder: Path, wire: str) -> Iterator[RegisterLink]:
    """The map of a case on a wire, showing what is true at its last look."""
    device = MapDevice(case.map, case.moments[-1].now)
    link: RegisterLink
    if wire == "tcp":
        server = TcpServer(device, 0)
        link, worker = TcpLink("127.0.0.1", server.port), Worker("map", server.serve_once)
    else:
        line = RtuServer(device, SerialEnd(folder / "map"), BAUD, 0.0)
        link, worker = RtuLink(str(folder / "map"), baud=BAUD, timeout_s=2.0), Worker("map", line.serve_once)
    worker.start()
    try:
        yield link
    finally:
        link.close()
        worker.end()
        if wire == "tcp":
            server.unplug()
        else:
            line.end.unplug()
    assert set(device.functions) <= {3, 4}


def written(case: Case, folder: Path) -> ModbusProfile:
    """The profile that the command writes for a case."""
    write_dump(folder / "dump.csv", case.snapshots(3))
    write_seen(folder / "seen.toml", case.seen(3))
    files = ("--dump", str(folder / "dump.csv"), "--seen", str(folder / "seen.toml"))
    limit = ("--largest-request", str(max(2, case.map.largest_request)))
    result = CliRunner().invoke(main, ["match", *files, "--profile", str(folder / "found.toml"), *limit])
    assert result.exit_code == 0, result.output
    profile = load_profile(folder / "found.toml")
    assert isinstance(profile, ModbusProfile)
    return profile


@pytest.mark.parametrize("wire", ["tcp", "rtu"])
@pytest.mark.parametrize("kind", ["ordinary", "nasty"])
def test_the_daemon_reads_with_the_profile(cases, kind, wire, tmp_path):
    case = next(case for case in cases[kind] if case.map.largest_request > 1)
    profile = written(case, tmp_path)
    with served(case, tmp_path, wire) as link:
        device = RegisterDevice(
            "map", profile, link, 1, NETWORK_COST, 1.0, HealthRecord("map", "map", 0), SystemClock()
        )
        values = {reading.quantity: reading for reading in device.poll()}
    words = case.map.snapshot(case.moments[-1].now)
    assert set(values) == set(profile.quantities)
    dump, read = readings(case, 3)
    certain = {
        finding.quantity for finding in match(dump, read).findings if finding.state == "certain"
    } & set(values)
    for quantity in certain:
        reading = values[quantity]
        assert reading.quality is Quality.GOOD, (SEED, quantity)
        true = [value_of(field, words) for field in case.map.carried[quantity]]
        assert any(abs(abs(reading.value) - abs(value)) < 2e-3 for value in true), (SEED, quantity)


def test_a_scan_of_the_served_map_matches_like_its_dump(cases, tmp_path):
    case = next(case for case in cases["ordinary"])
    with served(case, tmp_path, "tcp") as link:
        (*_, last) = scan(link, 1, tmp_path / "scan.csv", SystemClock(), Reach.THOROUGH, pause_s=0)
    assert last.snapshot is not None
    true = case.map.snapshot(case.moments[-1].now)
    (snapshot,) = load_dump(tmp_path / "scan.csv").snapshots
    assert snapshot.words == {place: word for place, word in true.items() if place in snapshot.words}
    assert len(snapshot.words) > 0.5 * len(true), f"seed {SEED}"


def test_the_dialogue_reads_asks_and_goes_on_another_time(cases, tmp_path):
    """Two looks typed in front of the served device, in two runs of the command, with one folder."""
    case = next(case for case in cases["ordinary"] if case.map.largest_request > 1)
    device = MapDevice(case.map, case.moments[0].now)
    server = TcpServer(device, 0)
    worker = Worker("map", server.serve_once)
    worker.start()
    try:
        for number, moment in enumerate(case.moments[:2]):
            device.show(moment.now)
            read = case.display.read(moment)
            order = [name for name in SOUGHT if name in read or not number]
            typed = "".join(f"{read.get(name, '')}\n" for name in order)
            answers = f"\n{typed}stop\n" if number else f"\ntwelve\n{typed}stop\n"  # one slip of the finger
            arguments = ("match", f"127.0.0.1:{server.port}", "--session", str(tmp_path / "s"), "--quick")
            result = CliRunner().invoke(main, arguments, input=answers)
            assert result.exit_code == 0, result.output
            if not number:
                assert "'twelve' is no number; write it like 12.6" in result.output
    finally:
        worker.end()
        server.unplug()
    assert set(device.functions) <= {3, 4}
    assert "has 1 look so far" in result.output
    dump = load_dump(tmp_path / "s" / "dump.csv")
    looks = load_seen(tmp_path / "s" / "seen.toml", dump)
    assert [
        {name: shown(text) for name, text in case.display.read(moment).items()} for moment in case.moments[:2]
    ] == [look.shown for look in looks]
    assert "largest_request" in (tmp_path / "s" / "profile.toml").read_text(encoding="utf-8")
