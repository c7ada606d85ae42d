"""The site's alarm rules: the shipped ones (`shipped.py`), changed and joined by the site's [[alarms]]."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from monitor.alarms.rule import Rule
from monitor.alarms.shipped import shipped_rules
from monitor.errors import Problem
from monitor.site.alarm_table import AlarmEntry
from monitor.site.hours import parse_hours
from monitor.site.model import Site
from monitor.site.sign_names import base_name
from monitor.toml_lines import TomlLines

ADDED = {"deadband": 0.0, "on_delay_s": 60.0, "off_delay_s": 60.0, "priority": "medium"}
"""What an added rule takes where it says nothing (our choice)."""


def rules_of(site: Site) -> list[Rule]:
    """Shipped rules with the changes of the site file, and the rules it adds; set points are filled in.

    An entry changes the shipped rule of its name, or all of 'Device silent' at once; capitals do not matter.
    One that names a shipped rule which this site has not (it has no array, say) does nothing unless it says
    all that a rule needs. Where an entry sets another quantity nothing of the shipped rule is kept.
    """
    rules = {rule.name.casefold(): rule for rule in shipped_rules(site)}
    for entry in sorted(site.alarms, key=lambda each: base_name(each.name) != each.name.casefold()):
        key = entry.name.casefold()
        meant = [key] if key in rules else [name for name in rules if base_name(name) == key]
        if not entry.enabled:
            for name in meant:
                del rules[name]
        elif meant:
            rules |= {name: _changed(rules[name], entry) for name in meant}
        elif None not in (entry.quantity, entry.condition, entry.set_point):
            rules[key] = _changed(None, entry)
    return list(rules.values())


def alarm_findings(site: Site, lines: TomlLines) -> tuple[Problem, ...]:
    """What a person should know of their [[alarms]]: which do nothing, which will come and go."""
    rules = shipped_rules(site)
    known = {rule.name.casefold() for rule in rules} | {base_name(rule.name) for rule in rules}
    found = []
    for index, entry in enumerate(site.alarms):
        key = entry.name.casefold()
        line = lines.nearest_line(("alarms", index, "name"))
        if key not in known and None in (entry.quantity, entry.condition, entry.set_point):
            text = f"{entry.name!r} does nothing: this site has no such rule; it has {_names(rules)}"
            found.append(Problem(f"alarms[{index}].name", line, text, "warning"))
        elif entry.enabled and key not in known and not (entry.deadband and entry.on_delay_s != 0):
            text = (
                f"{entry.name!r} may come and go with every flicker of its value: give it a deadband, and an"
                " on_delay_s above 0"
            )
            found.append(Problem(f"alarms[{index}].name", line, text, "note"))
    return tuple(found)


def _names(rules: list[Rule]) -> str:
    return ", ".join(f"{rule.name!r}" for rule in rules)


def _changed(shipped: Rule | None, entry: AlarmEntry) -> Rule:
    given: dict[str, Any] = {
        name: value
        for name in (
            "quantity", "set_point", "deadband", "on_delay_s", "off_delay_s", "priority", "latching",
            "notice", "do_first",
        )
        if (value := getattr(entry, name)) is not None
    }  # fmt: skip
    if entry.condition is not None:
        given["beyond"] = entry.condition
    if entry.months is not None:
        given["months"] = frozenset(entry.months)
    if entry.hours is not None:
        given["hours"] = parse_hours(entry.hours)
    if shipped is not None and given.get("quantity", shipped.quantity) == shipped.quantity:
        return replace(shipped, **given)
    name = entry.name if shipped is None else shipped.name
    return Rule(**{"name": name, **ADDED, **given})
