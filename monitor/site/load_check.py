"""What contradicts itself in [[loads]] and [inverter]: a load behind no inverter, one that counts twice."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from monitor.errors import Problem
from monitor.site.model import Site
from monitor.toml_lines import TomlLines, TomlPath

KILOWATTS_BELOW_W = 0.2
"""A load of less is likely written in kW (our choice)."""


def behind_no_inverter(data: dict[str, Any], lines: TomlLines) -> Iterator[Problem]:
    """A problem for each load with `ac = true` in a file that describes no inverter."""
    if "inverter" in data:
        return
    loads = data.get("loads")
    for index, load in enumerate(loads if isinstance(loads, list) else ()):
        if isinstance(load, dict) and load.get("ac") is True:
            text = (
                "says that this load hangs behind an inverter, but none is described; add a table [inverter]"
                " with efficiency and standby_W from its sheet, or write ac = false"
            )
            yield Problem(f"loads[{index}].ac", lines.nearest_line(("loads", index, "ac")), text)


def load_findings(site: Site) -> Iterator[tuple[str, TomlPath, str]]:
    """(severity, path, text) for each contradiction."""
    yield from _little(site)
    if site.inverter is None:
        return
    if site.inverter.efficiency == 1:
        text = (
            "1 would be an inverter without losses; its sheet has 0.80 to 0.95 (common practice, no source)"
        )
        yield "warning", ("inverter", "efficiency"), text
    if not any(load.ac for load in site.loads):
        text = "no load is marked ac = true, so only what it takes itself is counted; mark what hangs on it"
        yield "warning", ("inverter",), text
    yield from _twice(site)
    for index, load in enumerate(site.loads):
        if load.ac and load.hours_per_day > site.inverter.hours_per_day:
            text = (
                f"{load.hours_per_day:g} h is longer than the inverter is switched on"
                f" ([inverter] hours_per_day = {site.inverter.hours_per_day:g})"
            )
            yield "warning", ("loads", index, "hours_per_day"), text


def _little(site: Site) -> Iterator[tuple[str, TomlPath, str]]:
    for index, load in enumerate(site.loads):
        if load.power_W < KILOWATTS_BELOW_W:
            text = f"{load.power_W:g} W is very little; if it is in kW write {load.power_W * 1000:g}"
            yield "warning", ("loads", index, "power_W"), text


def _twice(site: Site) -> Iterator[tuple[str, TomlPath, str]]:
    """The inverter itself as a load, or one load on both of its sides."""
    behind = {load.name.strip().casefold() for load in site.loads if load.ac}
    for index, load in enumerate(site.loads):
        name = load.name.strip().casefold()
        if load.ac:
            continue
        if name in behind:
            text = (
                f"{load.name!r} stands on both sides of the inverter and counts twice; declare it once, with"
                " ac = true if it hangs behind the inverter"
            )
            yield "warning", ("loads", index, "name"), text
        elif "inverter" in name:
            text = (
                f"{load.name!r} counts twice: [inverter] tells what the inverter takes itself, the loads"
                " marked ac = true what it gives on; leave this load out"
            )
            yield "warning", ("loads", index, "name"), text
