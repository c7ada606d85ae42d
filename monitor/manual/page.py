"""The manual page nightbank(1): every command with its help, in the language of man(7).

Source of the macros: man(7) and groff_man(7); of the escapes `\\e` and `\\-`: groff_char(7).
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from datetime import date

import click

from monitor.manual.tree import contexts

AS_TYPED = "\b"
"""A paragraph of help that begins with this is shown line by line as it stands (click's own sign)."""

AFTER = """\
.SH EXIT STATUS
.TP
.B 0
All is well.
.TP
.B 1
A problem was found and told, or something is due; each command says which.
.TP
.B 2
The command was written wrongly; nothing was done.
.SH FILES
.TP
.I /etc/nightbank/NAME.toml
The site file of the services of NAME.
.TP
.I /var/lib/nightbank/NAME
Their readings.
.TP
.I /usr/local/share/doc/nightbank/README.md
The manual, with the pages that it leads to.
"""


def manual_page(main: click.Command, name: str, version: str, made: date) -> str:
    """The page as text."""
    top, *commands = contexts(main, name)
    first, _, rest = inspect.cleandoc(main.help or "").partition("\n\n")
    lines = [
        f'.TH {name.upper()} 1 "{made}" "{name} {version}"',
        ".ad l",  # ragged, so that no blank of a command is doubled
        ".nh",
        ".SH NAME",
        f"{name} \\- {_escaped(' '.join(first.split()))}",
        ".SH SYNOPSIS",
        _usage(top),
        ".SH DESCRIPTION",
        *_text(rest),
        *_options(top),
        ".SH COMMANDS",
    ]
    for context in commands:
        told = inspect.cleandoc(context.command.help or "")
        lines += [f".SS {_escaped(context.command_path)}", _usage(context)]
        lines += [".PP", *_text(told), *_options(context)]
    return "\n".join(lines) + "\n" + AFTER


def _usage(context: click.Context) -> str:
    pieces = " ".join(context.command.collect_usage_pieces(context))
    return f"\\fB{_escaped(context.command_path)}\\fR {_escaped(pieces)}"


def _text(text: str) -> Iterator[str]:
    """Help text: filled paragraphs, and those that stand as typed; of these an example goes on below itself
    where the page is narrow."""
    for number, paragraph in enumerate(text.split("\n\n")):
        lines = paragraph.strip("\n").split("\n")
        if number:
            yield ".PP"
        if lines[0].strip(" ") == AS_TYPED:
            head, *commands = (line.replace(AS_TYPED, "") for line in lines[1:])
            if head.strip() in ("Example:", "Examples:"):
                yield from (head.strip(), ".RS 2", ".PD 0")
                yield from (line for each in commands for line in (".HP 4", _escaped(each.strip())))
                yield from (".PD", ".RE")
            else:
                yield from (".nf", *map(_escaped, (head, *commands)), ".fi")
        else:
            yield from (_escaped(line.strip()) for line in lines)


def _options(context: click.Context) -> Iterator[str]:
    """All but --help, which the description tells of once."""
    for option in context.command.params:
        record = option.get_help_record(context) if isinstance(option, click.Option) else None
        if record is not None:
            names, told = record
            yield from (".TP", f"\\fB{_escaped(names)}\\fR", _escaped(" ".join(told.split())))


def _escaped(text: str) -> str:
    """Text that man takes for nothing but text; an empty line stays one."""
    plain = text.replace("\\", "\\e").replace("-", "\\-").replace("`", "")
    return f"\\&{plain}" if plain.startswith((".", "'")) or not plain else plain
