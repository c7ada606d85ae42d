"""Every command of the command line, with what a person types to reach it."""

from __future__ import annotations

from collections.abc import Iterator

import click


def contexts(
    command: click.Command, name: str, above: click.Context | None = None
) -> Iterator[click.Context]:
    """The context of a command and of all below it, each group before its own commands."""
    context = click.Context(command, info_name=name, parent=above, **command.context_settings)
    yield context
    if isinstance(command, click.Group):
        for each in command.list_commands(context):
            below = command.get_command(context, each)
            if below is not None and not below.hidden:
                yield from contexts(below, each, context)
