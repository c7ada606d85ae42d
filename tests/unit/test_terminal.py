"""Reports at a real terminal: no line is wider than it; a program gets each line whole."""

from __future__ import annotations

import fcntl
import os
import pty
import struct
import subprocess
import sys
import termios
from contextlib import closing, suppress
from pathlib import Path

import pytest

from monitor.records import Event, parse_iso
from monitor.store.embedded import open_writer
from tests.unit.site_files import MARSH_HIDE

NIGHTBANK = [sys.executable, "-m", "monitor.cli"]
LONG = "The device has fallen silent: " + "no answer to four polls in a row, " * 6 + "asked again in 5 s."


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hide")
    file = folder / "hide.toml"
    file.write_text(MARSH_HIDE, encoding="utf-8")
    with closing(open_writer(folder / "nightbank.db", "Europe/London")) as store:
        store.add_event(Event(parse_iso("2026-11-25T20:00:00Z"), "device", "charger", LONG))
        store.commit()
    return file


def at_a_terminal(columns: int, *words: object) -> list[str]:
    """The lines that a command writes to a terminal of so many columns (tty_ioctl(2): TIOCSWINSZ)."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    command = [*NIGHTBANK, *map(str, words)]
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    told = b""
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment):
        os.close(theirs)
        with suppress(OSError):  # Linux tells the other side's end so
            while more := os.read(ours, 65536):
                told += more
    os.close(ours)
    return told.decode("utf-8").replace("\r\n", "\n").splitlines()


@pytest.mark.parametrize("columns", [50, 80])
def test_no_line_is_wider_than_the_terminal(site: Path, columns: int) -> None:
    for words in (
        ("wire", "--power", 160, "--length", 6, "--voltage", 12),
        ("events", site),
    ):
        lines = at_a_terminal(columns, *words)
        assert len(lines) > 3, words
        assert max(map(len, lines)) <= columns, words


def test_a_pipe_gets_an_event_on_one_line(site: Path) -> None:
    said = subprocess.run([*NIGHTBANK, "events", site], capture_output=True, text=True, check=True).stdout
    assert said.count("\n") == 1
    assert LONG in said


@pytest.mark.parametrize("words", [("--help",), ("wire", "--power", 160, "--length", 6, "--voltage", 12)])
def test_a_full_disk_behind_a_redirection_is_told_in_a_line(words: tuple[object, ...]) -> None:
    """full(4): every write to /dev/full fails as on a full disk."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run([*NIGHTBANK, *map(str, words)], stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 1
    assert done.stderr == "the output: No space left on device; look at the room and the rights there\n"
