"""What was typed and read stays, whatever the disk does: the files of match, scan and checkup."""

from __future__ import annotations

import resource
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.checkup.record import document_of, files_of, read_record, write_record
from monitor.checkup.recording import Recording
from monitor.checkup.sources import CheckupError
from monitor.cli import main
from monitor.devices.dump import DumpError, append_snapshot
from monitor.devices.places import Places, PlacesError, Run, load_places, save_places
from monitor.errors import MatchError
from monitor.match.session import Session
from monitor.site.load import load_site, with_defaults
from tests.small_disk import fill, small_disk
from tests.unit.site_files import MARSH_HIDE, write

TIME = "2027-06-10T08:00:00Z"
TIME_MS = 1_812_614_400_000
DUMP = f"time,function,address,word\n{TIME},3,7,1214\n{TIME},3,8,1301\n"
ROWS = [(3, address, 1000 + address) for address in range(400)]


@contextmanager
def no_room_beyond(size: int) -> Iterator[None]:
    """The system refuses to let any file grow beyond so many bytes, as a full disk would."""
    ordinary = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, limits[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, ordinary)


def match(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["match", *map(str, arguments)])
    return result.exit_code, result.output


def test_a_look_that_finds_no_room_leaves_the_former_ones_whole(tmp_path: Path) -> None:
    session = Session(tmp_path)
    session.add_look(TIME, {"battery_voltage_V": "12.1"})
    before = session.seen.read_text(encoding="utf-8")
    with (
        no_room_beyond(len(before) + 10),
        pytest.raises(MatchError, match=r"seen\.toml: file: cannot be written"),
    ):
        session.add_look("2027-06-10T09:00:00Z", {"battery_voltage_V": "12.4"})
    assert session.seen.read_text(encoding="utf-8") == before
    assert [file.name for file in tmp_path.iterdir()] == ["seen.toml"]


def test_a_snapshot_that_finds_no_room_leaves_the_dump_as_it_was(tmp_path: Path) -> None:
    dump = tmp_path / "dump.csv"
    append_snapshot(dump, TIME_MS, ROWS)
    before = dump.read_text(encoding="utf-8")
    with no_room_beyond(len(before) + 1000), pytest.raises(DumpError, match="rights and room"):
        append_snapshot(dump, TIME_MS + 1000, ROWS)
    assert dump.read_text(encoding="utf-8") == before
    append_snapshot(dump, TIME_MS + 1000, ROWS)
    assert dump.read_text(encoding="utf-8").count("\n") == 1 + 2 * len(ROWS)


def test_a_full_disk_takes_nothing_half_and_all_of_it_afterwards(tmp_path: Path) -> None:
    """On a disk that is really full: looks, snapshots, places and the record of a checkup."""
    described, _ = with_defaults(load_site(write(tmp_path, MARSH_HIDE)))
    with small_disk(tmp_path / "disk", "256k") as disk:
        session, files = Session(disk / "shed"), files_of(disk / "checkup")
        session.folder.mkdir()
        session.add_look(TIME, {"battery_voltage_V": "12.1"})
        before = session.seen.read_text(encoding="utf-8")
        full = fill(disk)

        def write_all() -> None:
            session.add_look("2027-06-10T09:00:00Z", {"battery_voltage_V": "12.4"})

        places = Places(tuple(Run(3, 10 * at, 5) for at in range(300)), 16)
        document = document_of(Recording(described, [], []), [], TIME_MS, "the devices")
        kept = disk / "shed" / "dump.places.json"
        with pytest.raises(MatchError, match="No space left on device"):
            write_all()
        with pytest.raises(DumpError, match="No space left on device"):
            append_snapshot(session.dump, TIME_MS, ROWS)
        with pytest.raises(PlacesError, match="No space left on device"):
            save_places(places, kept, "line, unit 1")
        with pytest.raises(CheckupError, match="No space left on device"):
            write_record(files, document)
        assert session.seen.read_text(encoding="utf-8") == before
        assert {file.name for file in disk.iterdir()} == {"shed", full.name}
        assert not session.dump.exists() or not session.dump.stat().st_size
        full.unlink()
        write_all()
        append_snapshot(session.dump, TIME_MS, ROWS)
        save_places(places, kept, "line, unit 1")
        write_record(files_of(disk / "checkup"), document)
        assert session.seen.read_text(encoding="utf-8").startswith(before)
        assert load_places(kept, "line, unit 1") == places
        assert read_record(files[1])["site"] == described.site.name


def test_a_folder_that_takes_no_files_is_told_before_the_display_is_read(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    status, output = match("/nowhere/port", "--session", tmp_path / "file" / "shed")
    assert status == 1
    assert "shed: file: cannot be written (Not a directory); check the folder" in output


def test_a_match_that_never_came_to_a_look_leaves_no_folder(tmp_path: Path) -> None:
    status, output = match(tmp_path / "no-port", "--session", tmp_path / "cabin" / "shed")
    assert status == 1, output
    assert "there is no such port" in output
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "shed").mkdir()
    (tmp_path / "shed" / "notes").touch()
    match(tmp_path / "no-port", "--session", tmp_path / "shed")
    assert [file.name for file in (tmp_path / "shed").iterdir()] == ["notes"]


def test_no_profile_is_written_while_nothing_is_sure_enough_for_one(tmp_path: Path) -> None:
    """The digits agree with no register, so that the profile would have no points and no daemon would take
    it."""
    dump, seen, profile = (tmp_path / name for name in ("dump.csv", "seen.toml", "profile.toml"))
    dump.write_text(DUMP, encoding="utf-8")
    seen.write_text(f'[[seen]]\ntime = "{TIME}"\nbattery_temperature_C = "17.7"\n', encoding="utf-8")
    status, output = match("--dump", dump, "--seen", seen, "--profile", profile)
    assert status == 1
    assert "no register agrees with that" in output
    assert "profile.toml was not written: nothing that Nightbank reads" in output
    assert not profile.exists()
    profile.write_text("of an earlier look", encoding="utf-8")
    Session(tmp_path).answer("Found in the shed", None)
    assert not profile.exists()


def test_a_profile_in_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    dump, seen = tmp_path / "dump.csv", tmp_path / "seen.toml"
    dump.write_text(DUMP, encoding="utf-8")
    seen.write_text(f'[[seen]]\ntime = "{TIME}"\nbattery_voltage_V = "12.1"\n', encoding="utf-8")
    status, output = match("--dump", dump, "--seen", seen, "--profile", tmp_path / "none" / "p.toml")
    assert status == 1
    assert "p.toml: file: cannot be written (No such file or directory)" in output


def test_a_stray_quotation_mark_in_a_dump_is_told(tmp_path: Path) -> None:
    dump = tmp_path / "dump.csv"
    dump.write_text(DUMP + '"' + "x" * 200_000 + "\n", encoding="utf-8")
    status, output = match("--dump", dump, "--seen", dump)
    assert status == 1
    assert "look for a stray quotation mark" in output


@pytest.mark.parametrize(
    "kept", ['{"device":"a","runs":[{"function":3,"first":Infinity,"count":1}]}', "[" * 9000]
)
def test_places_that_no_computer_wrote_are_refused_in_words(tmp_path: Path, kept: str) -> None:
    file = tmp_path / "dump.places.json"
    file.write_text(kept, encoding="utf-8")
    with pytest.raises(PlacesError, match="remove it, and they are looked for anew"):
        load_places(file, "a")
