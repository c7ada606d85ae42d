"""Every command's help has an example, and each example is one that the command line takes."""

from __future__ import annotations

import errno
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.terminal import wrapped

ROOT = Path(__file__).parents[2]
ROOMS = ("dashboard", "monitor", "systemd")

SHOWN = r"^(?: {4})?(?:sudo (?:-u nightbank )?)?(nightbank .*?)(?: +#.*)?$"
"""A line of a block: the shell's own words before it, and the remark behind it, are not the command's."""


def commands(command: click.Command, path: str) -> Iterator[tuple[str, click.Command]]:
    """A command and all below it, with what a person types."""
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from commands(below, f"{path} {name}")


def examples(command: click.Command) -> list[str]:
    """The command lines after 'Example:' or 'Examples:' in a command's help."""
    _, _, told = " ".join((command.help or "").split()).partition("Example")
    return [f"nightbank {line.strip(' ;')}" for line in told.split("nightbank ")[1:]]


def reached(line: str) -> str:
    """The command that a line would run, all its arguments and options checked. Raises click.UsageError."""
    command: click.Command = main
    path, *words = shlex.split(re.split("[<>|]", line)[0])  # what follows is the shell's
    while isinstance(command, click.Group):
        context = command.make_context(path, words)
        if not context.args and not words:
            return path
        name, below, words = command.resolve_command(context, [*context._protected_args, *context.args])
        assert name is not None
        assert below is not None
        path, command = f"{path} {name}", below
    command.make_context(path, words)
    return path


@pytest.mark.parametrize(
    ("path", "command"),
    list(commands(main, "nightbank")),
    ids=[path for path, _ in commands(main, "nightbank")],
)
def test_every_help_has_an_example_that_works(
    path: str, command: click.Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    told = examples(command)
    assert told
    for line in told:
        for file in re.findall(r"(?<![/.\w])[a-z-]+\.[a-z]+", line):
            (tmp_path / file).touch()  # some commands want a file that is there
        assert reached(line).startswith(path)


@pytest.mark.parametrize(
    ("path", "command"),
    list(commands(main, "nightbank")),
    ids=[path for path, _ in commands(main, "nightbank")],
)
def test_every_help_fits_a_terminal_of_80_columns(path: str, command: click.Command) -> None:
    shown = command.get_help(click.Context(command, info_name=path, terminal_width=80))
    assert [line for line in shown.splitlines() if len(line) > 80] == []


def shown_lines() -> list[tuple[str, str]]:
    """Each command line that a manual shows in a block, with the page that shows it."""
    pages = [ROOT / "README.md", *(page for room in ROOMS for page in (ROOT / room).rglob("README.md"))]
    found = {
        (line, str(page.relative_to(ROOT)))
        for page in pages
        for line in re.findall(SHOWN, page.read_text(encoding="utf-8"), re.MULTILINE)
    }
    return sorted(found)


@pytest.mark.parametrize(("line", "page"), shown_lines())
def test_every_line_that_a_manual_shows_is_one_that_the_command_line_takes(
    line: str, page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for file in re.findall(r"(?<![/.\w])[a-z-]+\.[a-z]+", line):
        (tmp_path / file).touch()
    assert reached(line).startswith("nightbank "), page


def test_the_manuals_show_how_every_command_is_typed() -> None:
    shown = {line.split()[1] for line, _ in shown_lines()}
    assert set(main.list_commands(click.Context(main))) - shown <= {"demo"}  # its own script is shown


def test_the_first_help_lists_every_command_once_in_whole_lines_of_80() -> None:
    shown = CliRunner().invoke(main, ["--help"], terminal_width=80)
    lines = shown.output.splitlines()
    assert max(map(len, lines)) <= 80
    own = "".join(lines).partition("Begin:")[2].partition("Further:")[0]  # further ones are others' words
    assert "..." not in own
    named = [line.split()[0] for line in lines[lines.index("Begin:") :] if line.startswith("  ")]
    assert sorted(named) == sorted(main.list_commands(click.Context(main)))


def test_a_group_without_its_command_names_what_there_is() -> None:
    said = CliRunner().invoke(main, ["care", "hide.toml"])
    assert said.exit_code == 2
    assert "say what you want of it: capacity, due, winter" in said.output


def test_a_line_too_long_for_a_terminal_goes_on_below_and_a_table_stays() -> None:
    row, item = "  2026-11-20    9.3 Ah   15.8 Ah", "- " + "to swap them harms nothing " * 5
    folded = wrapped(f"{row}\n  {item}").split("\n")
    assert folded[0] == row
    assert [line[:4] for line in folded[1:]] == ["  - ", "    "]
    assert max(map(len, folded)) <= 100
    assert " ".join(" ".join(folded[1:]).split()) == item.strip()


@pytest.mark.parametrize("group", ["alarms", "care", "log", "mirror", "site", "store"])
def test_a_group_says_the_whole_of_what_each_of_its_commands_does(group: str) -> None:
    shown = CliRunner().invoke(main, [group, "--help"], terminal_width=80).output
    assert "..." not in shown.partition("Commands:")[2].replace("[ARGS]...", "")


def test_a_site_file_without_a_command_says_what_to_type() -> None:
    said = CliRunner().invoke(main, ["hide.toml"])
    assert said.exit_code == 2
    assert "nightbank now hide.toml" in said.stderr


def test_a_command_without_its_site_file_says_what_is_meant_by_it() -> None:
    said = CliRunner().invoke(main, ["now"])
    assert said.exit_code == 2
    assert "Give the site file, such as hide.toml." in said.stderr


def test_a_number_may_be_written_with_a_comma() -> None:
    point = CliRunner().invoke(main, ["wire", "--power", "160", "--length", "6.5", "--voltage", "12"])
    comma = CliRunner().invoke(main, ["wire", "--power", "160", "--length", "6,5", "--voltage", "12"])
    assert point.exit_code == 0
    assert comma.stdout == point.stdout


@pytest.mark.parametrize("typed", ["6m", "nan", "inf", "6,5,1", ""])
def test_what_is_no_number_is_told_with_what_would_be(typed: str) -> None:
    said = CliRunner().invoke(main, ["wire", "--power", "160", "--length", typed, "--voltage", "12"])
    assert said.exit_code == 2
    assert "is no number from 0.05 to 1000 m" in said.stderr


def test_who_may_not_read_a_site_is_told_as_whom(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd/README.md: a running site's files are the user nightbank's, who is another than who logs in."""

    def refused(_path: Path) -> bytes:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refused)  # who runs the tests may be root, to whom all is open
    said = CliRunner().invoke(main, ["now", str(tmp_path / "hide.toml")])
    assert said.exit_code == 1
    assert "sudo -u nightbank" in said.stderr
