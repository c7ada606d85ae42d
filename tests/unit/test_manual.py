"""The manual page and the shell completion as their own readers take them: mandoc, bash, and click beside it.

Sources: mandoc(1) for what its lint tells; bash(1), "Programmable Completion", for the words in COMP_WORDS;
click's own completion for what may stand after a command.
"""

from __future__ import annotations

import re
import shlex
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete

from monitor.cli import main
from monitor.manual.__main__ import write

HERE = "hide.toml"
"""Stands for each argument, so that a group's own commands come after it."""


@pytest.fixture(scope="module")
def share(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("share")
    write(folder)
    return folder


def typed(command: click.Command, words: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """What a person types to reach each command, with a word for every argument of the groups on the way."""
    yield words
    if isinstance(command, click.Group):
        context = click.Context(command)
        given = words + (HERE,) * sum(isinstance(each, click.Argument) for each in command.params)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from typed(below, (*given, name))


@pytest.fixture(scope="module")
def offers(share: Path, tmp_path_factory: pytest.TempPathFactory) -> Mapping[tuple[str, ...], list[str]]:
    """What bash offers behind each command's words, in a folder that holds a file and a folder."""
    here = tmp_path_factory.mktemp("here")
    (here / "hide out.toml").touch()
    (here / "shed").mkdir()
    lines = [(*words, last) for words in typed(main) for last in ("", "-")]
    lines += [
        ("export", HERE, "--format", ""),
        ("export", HERE, "--format", "p"),
        ("now", ""),
        ("demo", "--dir", ""),
    ]
    lines += [
        ("alarms", HERE, ""),
        ("alarms", HERE, "sh"),
        ("days", HERE, "--by=", ""),
        ("wire", "--current", ""),
    ]
    asked = [f"offer {shlex.join(('nightbank', *line))}" for line in lines]
    script = f"""
        source {shlex.quote(str(share / "bash-completion/completions/nightbank"))}
        compopt() {{ :; }}   # bash has it only while it completes
        offer() {{
            COMP_WORDS=("$@") COMP_CWORD=$(( $# - 1 ))
            _nightbank 2>&1
            printf '%s\\t' "${{COMPREPLY[@]}}"
            echo
        }}
    """
    done = subprocess.run(
        ["bash", "-c", script + "\n".join(asked)], capture_output=True, text=True, cwd=here, check=True
    )
    assert done.stderr == ""
    said = done.stdout.splitlines()
    return {line: sorted(filter(None, row.split("\t"))) for line, row in zip(lines, said, strict=True)}


def by_click(words: tuple[str, ...], last: str) -> list[str]:
    completion = ShellComplete(main, {}, "nightbank", "_NIGHTBANK_COMPLETE")
    return sorted(
        item.value for item in completion.get_completions(list(words), last) if item.type == "plain"
    )


@pytest.mark.parametrize("words", list(typed(main)), ids=" ".join)
def test_bash_offers_the_options_that_click_would(
    offers: Mapping[tuple[str, ...], list[str]], words: tuple[str, ...]
) -> None:
    assert offers[*words, "-"] == by_click(words, "-")
    assert "--help" in offers[*words, "-"]


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        (("alarms", HERE, ""), by_click(("alarms", HERE), "")),
        (("alarms", HERE, "sh"), ["shelve"]),
        (("export", HERE, "--format", "p"), ["parquet"]),
        (("now", ""), ["hide out.toml", "shed"]),  # a site file, or the folder that has it
        (("demo", "--dir", ""), ["shed"]),
        (("wire", "--current", ""), []),
    ],
)
def test_bash_offers_commands_words_files_and_folders(
    offers: Mapping[tuple[str, ...], list[str]], line: tuple[str, ...], offered: list[str]
) -> None:
    assert offers[line] == offered


def test_bash_offers_all_commands_first(offers: Mapping[tuple[str, ...], list[str]]) -> None:
    assert offers[("",)] == by_click((), "")
    assert {"page", "monitor", "site"} <= set(offers[("",)])


def test_mandoc_finds_nothing_to_say_about_the_page(share: Path) -> None:
    page = share / "man/man1/nightbank.1"
    judged = subprocess.run(
        ["mandoc", "-T", "lint", "-W", "warning", page], capture_output=True, text=True, check=False
    )
    assert (judged.stdout, judged.stderr, judged.returncode) == ("", "", 0)


def shown(share: Path, width: int) -> str:
    """The page as mandoc shows it on a terminal of a width."""
    command = ["mandoc", "-T", "utf8", "-O", f"width={width}", share / "man/man1/nightbank.1"]
    done = subprocess.run(command, capture_output=True, check=True)
    return re.sub(".\b", "", done.stdout.decode())  # bold is struck twice, as on a typewriter


def test_the_page_fits_a_terminal_of_80_columns(share: Path) -> None:
    assert [line for line in shown(share, 80).splitlines() if len(line) > 80] == []


def test_the_page_has_every_command_and_option_as_a_person_types_it(share: Path) -> None:
    text = " ".join(shown(share, 200).split())
    for words in typed(main):
        command = " ".join(("nightbank", *words))
        assert re.search(re.escape(command).replace(re.escape(HERE), "[A-Z]+"), text), command
        for option in by_click(words, "--"):
            assert option in text
    assert 'nightbank alarms hide.toml shelve "Low voltage" --for 8h' in text
