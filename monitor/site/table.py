"""What all tables of a person's files have in common, and how a fault in one value is told in plain words."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from pydantic import BaseModel, ConfigDict
from pydantic_core import ErrorDetails, PydanticCustomError

from monitor.errors import Problem
from monitor.toml_lines import TomlLines, TomlPath, did_you_mean, dotted


class Table(BaseModel):
    """Common to all tables: frozen, types as written (no text for numbers), no unknown key, no nan or inf."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def told(text: str) -> PydanticCustomError:
    """The error with which a validator refuses a value: its text reaches the person as it stands."""
    return PydanticCustomError("told", "{text}", {"text": text})


def plain_problem(
    fault: ErrorDetails, key: TomlPath, lines: TomlLines, beside: Callable[[TomlPath], Iterable[str]]
) -> Problem:
    """What pydantic finds wrong at a key, in short; beside gives the keys that may stand in its table."""
    if fault["type"] == "missing":
        text = "is missing; add it"
    elif fault["type"] == "extra_forbidden":
        text = f"unknown key; {did_you_mean(str(key[-1]), beside(key))}"
    else:
        text = f"{fault['msg'].removeprefix('Value error, ')} (found {fault['input']!r})"
    return Problem(dotted(key), lines.nearest_line(key), text)
