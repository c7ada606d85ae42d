"""The page's PIN: what is taken, what is kept of it, and the command that sets it."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.pin import PinError, forget_pin, pin_path, random_pin, read_pin, set_pin, weakness
from tests.unit.site_files import MARSH_HIDE

PIN = "739204"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return pin_path(tmp_path / "nightbank.db")


def test_scrypt_here_is_that_of_rfc_7914() -> None:
    """RFC 7914, section 12, second test vector: 'password', 'NaCl', N 1024, r 8, p 16 (from memory)."""
    made = hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, dklen=64)
    assert made.hex().startswith("fdbabe1c9d3472007856e7190d01e9fe")


def test_the_pin_fits_and_no_other_does(file: Path) -> None:
    set_pin(file, PIN)
    kept = read_pin(file)
    assert kept is not None
    assert kept.fits(PIN)
    assert kept.fits(f" {PIN} ")  # phones add a blank behind what they suggest
    assert not kept.fits("739205")
    assert not kept.fits("")
    assert not kept.fits("\ud800")


def test_only_a_salted_hash_is_kept_and_only_its_owner_may_read_it(file: Path) -> None:
    old = os.umask(0)
    try:
        set_pin(file, PIN)
    finally:
        os.umask(old)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert PIN not in file.read_text(encoding="ascii")
    first = read_pin(file)
    set_pin(file, PIN)
    second = read_pin(file)
    assert first.salt != second.salt
    assert first.hashed != second.hashed
    assert [each.name for each in file.parent.iterdir()] == [file.name]  # nothing half-written stays


@pytest.mark.parametrize(
    "pin",
    [
        "",
        "73920",
        "111111",
        "123456",
        "987654",
        "abcdef",
        "121212",
        "112233",
        "123123",
        "marsh HIDE",
        "x" * 129,
    ],
)
def test_a_weak_pin_is_refused_with_the_reason(file: Path, pin: str) -> None:
    assert weakness(pin, ("Marsh hide",))
    with pytest.raises(PinError, match="not taken"):
        set_pin(file, pin, ("Marsh hide",))
    assert not file.exists()


def test_a_pin_by_chance_is_six_digits_and_not_weak() -> None:
    drawn = {random_pin() for _ in range(50)}
    assert len(drawn) > 45
    assert all(len(pin) == 6 and pin.isdecimal() and not weakness(pin) for pin in drawn)


def test_a_file_that_others_may_read_is_not_used(file: Path) -> None:
    set_pin(file, PIN)
    file.chmod(0o640)
    with pytest.raises(PinError, match=r"others may read it .*chmod 600"):
        read_pin(file)


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", "null", '{"salt": 1}', '{"salt": "00", "hash": "00", "n": 99999999, "r": 8, "p": 1}'],
)
def test_a_damaged_file_is_told_and_opens_nothing(file: Path, text: str) -> None:
    file.write_text(text, encoding="ascii")
    file.chmod(0o600)
    with pytest.raises(PinError, match="damaged"):
        read_pin(file)


def test_without_a_file_there_is_no_pin(file: Path) -> None:
    assert read_pin(file) is None
    assert not forget_pin(file)


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(MARSH_HIDE, encoding="utf-8")
    return file


def run(*arguments: str | Path, typed: str = ""):
    return CliRunner().invoke(main, ["pin", *map(str, arguments)], input=typed)


def test_the_command_asks_twice_shows_nothing_and_sets_it(site_file: Path, file: Path) -> None:
    done = run(site_file, typed=f"{PIN}\n{PIN}\n")
    assert done.exit_code == 0, done.output
    assert PIN not in done.output
    assert read_pin(file).fits(PIN)
    done = run(site_file, "--forget")
    assert "removed" in done.output
    assert read_pin(file) is None
    assert "No PIN was set" in run(site_file, "--forget").output


@pytest.mark.parametrize("typed", ["123456\n123456\n", f"{PIN}\n739205\n"])
def test_the_command_changes_nothing_where_the_pin_is_weak_or_the_two_differ(
    site_file: Path, file: Path, typed: str
) -> None:
    set_pin(file, "former-pin")
    before = json.loads(file.read_text(encoding="ascii"))
    done = run(site_file, typed=typed)
    assert done.exit_code == 1
    assert json.loads(file.read_text(encoding="ascii")) == before
