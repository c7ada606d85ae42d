"""Every command's help has an example, and each example is one that the command line takes."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from monitor.cli import main


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
