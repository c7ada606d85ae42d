"""Tables of a TOML file as frozen dataclasses, every refusal with file, key, value and remedy."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import MISSING, fields
from difflib import get_close_matches
from math import isfinite
from types import UnionType
from typing import Any, TypeVar, get_args, get_type_hints

Table = TypeVar("Table")


class ScenarioError(ValueError):
    """The scenario cannot be used; the text names file, key and remedy."""


def check_key(where: str, key: str, known: Collection[str]) -> None:
    """Raises ScenarioError for an unknown key, naming the nearest."""
    if key not in known:
        near = get_close_matches(key, known, n=1)
        hint = f"did you mean `{near[0]}`?" if near else f"known are {', '.join(sorted(known))}"
        raise ScenarioError(f"{where}: unknown key `{key}`; {hint}")


class TableReader:
    """Checks the tables of one file against the fields of dataclasses.

    choices and positive say, by dotted key, what else a value must be. All methods raise ScenarioError.
    """

    def __init__(self, where: str, choices: Mapping[str, Collection[str]], positive: Collection[str]) -> None:
        self._where = where
        self._choices = choices
        self._positive = positive

    def table(self, key: str, kind: type[Table], given: object) -> Table:
        """One table; its keys are the dataclass's fields."""
        if not isinstance(given, dict):
            raise ScenarioError(f"{self._where}: [{key}] must be a table of keys, not {given!r}")
        hints = get_type_hints(kind)
        for name in given:
            check_key(self._where, f"{key}.{name}", [f"{key}.{known}" for known in hints])
        required = {field.name for field in fields(kind) if field.default is MISSING}  # type: ignore[arg-type]
        missing = sorted(required - set(given))
        if missing:
            raise ScenarioError(f"{self._where}: [{key}] lacks {', '.join(missing)}")
        return kind(**{name: self.value(f"{key}.{name}", hints[name], item) for name, item in given.items()})

    def entries(self, key: str, kind: type[Table], given: object) -> tuple[Table, ...]:
        """A list of tables."""
        if not isinstance(given, list):
            raise ScenarioError(f"{self._where}: write each of {key} as its own [[{key}]] table")
        return tuple(self.table(key, kind, entry) for entry in given)

    def value(self, key: str, kind: Any, given: object) -> Any:
        """One value: bool, str, int, float, one of these or None, or a list of whole numbers as a tuple."""
        if isinstance(kind, UnionType):
            kind = get_args(kind)[0]
        if kind == tuple[int, ...]:
            if not isinstance(given, list) or not all(type(item) is int for item in given):
                raise self._refusal(key, "a list of whole numbers", given)
            return tuple(given)
        if kind in (bool, str):
            if not isinstance(given, kind):
                raise self._refusal(key, "true or false" if kind is bool else "text in quotes", given)
            if key in self._choices and given not in self._choices[key]:
                raise self._refusal(key, f"one of {', '.join(self._choices[key])}", given)
            return given
        if not isinstance(given, int | float) or isinstance(given, bool) or not isfinite(given):
            raise self._refusal(key, "a number", given)
        if kind is int and given != int(given):
            raise self._refusal(key, "a whole number", given)
        if key in self._positive and given <= 0:
            raise self._refusal(key, "above 0", given)
        return kind(given)

    def _refusal(self, key: str, wanted: str, given: object) -> ScenarioError:
        return ScenarioError(f"{self._where}: `{key}` must be {wanted}, not {given!r}")
