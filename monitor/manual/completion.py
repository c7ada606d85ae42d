"""What the Tab key offers in bash and zsh: one script with all commands, their options and choices in it.

The script is made once, at installation. So a Tab starts no Python, which takes a second on a small computer.
bash(1), 'Programmable Completion', has the words that begin with COMP; zsh runs the same by its bashcompinit.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator

import click

from monitor.manual.tree import contexts

BASH = """\
# What Tab offers after `nightbank`; made by `python -m monitor.manual`.
# Of the command $1: what may stand below it, its options, which of them take a value, its arguments.
_nightbank_knows() {{
    below= options= valued= arguments=()
    case $1 in
{cases}
    esac
}}

# What the command $1 takes as the value of its option or argument $2.
_nightbank_offers() {{
    case "$1 $2" in
{values}
    esac
}}

_nightbank() {{
    local word=${{COMP_WORDS[COMP_CWORD]}} reached=nightbank asked= given kind below options valued
    local -a arguments
    local -i index argument=0
    _nightbank_knows "$reached"
    for (( index = 1; index < COMP_CWORD; index++ )); do
        given=${{COMP_WORDS[index]}}
        if [[ -n $asked ]]; then
            [[ $given == "=" ]] || asked=
        elif [[ $given == -* ]]; then
            [[ " $valued " == *" $given "* ]] && asked=$given
        elif (( argument < ${{#arguments[@]}} )); then
            argument+=1
        elif [[ " $below " == *" $given "* ]]; then
            reached+=" $given" argument=0
            _nightbank_knows "$reached"
        fi
    done
    [[ $word == "=" ]] && word=
    COMPREPLY=()
    if [[ -n $asked ]]; then
        kind=$(_nightbank_offers "$reached" "$asked")
    elif [[ $word == -* ]]; then
        kind=$options
    elif (( argument < ${{#arguments[@]}} )); then
        kind=$(_nightbank_offers "$reached" "${{arguments[argument]}}")
    else
        kind=$below
    fi
    case $kind in
        -[df])
            local IFS=$'\\n'
            COMPREPLY=( $(compgen $kind -- "$word") )
            type compopt &>/dev/null && compopt -o filenames
            ;;
        *) COMPREPLY=( $(compgen -W "$kind" -- "$word") ) ;;
    esac
}}
complete -F _nightbank nightbank
"""

ZSH = """\
#compdef nightbank
# The same script as bash's. It takes the place of this function and answers the first Tab, too.
autoload -Uz bashcompinit && bashcompinit
source "${functions_source[_nightbank]:A:h}/../../bash-completion/completions/nightbank"
_bash_complete -F _nightbank
"""

FILES, FOLDERS = "-f", "-d"
"""What compgen takes for them."""


def bash_script(main: click.Command, name: str) -> str:
    """The script, for /usr/local/share/bash-completion/completions."""
    every = list(contexts(main, name))
    return BASH.format(
        cases="\n".join(_case(context) for context in every),
        values="\n".join(line for context in every for line in _values(context)),
    )


def _path(context: click.Context) -> str:
    """The command's own names, without arguments of the groups above it."""
    above = f"{_path(context.parent)} " if context.parent else ""
    return f"{above}{context.info_name}"


def _case(context: click.Context) -> str:
    command = context.command
    shown = [
        each for each in command.get_params(context) if isinstance(each, click.Option) and not each.hidden
    ]
    names = [name for option in shown for name in (*option.opts, *option.secondary_opts)]
    valued = [name for option in shown if not (option.is_flag or option.count) for name in option.opts]
    below = command.list_commands(context) if isinstance(command, click.Group) else []
    arguments = [each.name or "" for each in command.params if isinstance(each, click.Argument)]
    told = f"below={shlex.quote(' '.join(below))} options={shlex.quote(' '.join(names))}"
    told += f" valued={shlex.quote(' '.join(valued))} arguments=({' '.join(arguments)})"
    return f"        {shlex.quote(_path(context))}) {told} ;;"


def _values(context: click.Context) -> Iterator[str]:
    """What a parameter can be, where that can be said: files, folders, one of some words."""
    for parameter in context.command.get_params(context):
        names = parameter.opts if isinstance(parameter, click.Option) else [parameter.name or ""]
        kind = parameter.type
        offer = None
        if isinstance(kind, click.Path):
            offer = FILES if kind.file_okay else FOLDERS
        elif isinstance(kind, click.Choice):
            offer = " ".join(str(each) for each in kind.choices)
        if offer is not None:
            patterns = "|".join(shlex.quote(f"{_path(context)} {name}") for name in names)
            yield f"        {patterns}) echo {shlex.quote(offer)} ;;"
