"""What contradicts itself in [computer]: a halt that nobody could time, a night that nobody knows."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.site.chemistry import USUAL
from monitor.site.model import Site
from monitor.toml_lines import TomlPath

HIGHEST_END_PER_CELL = {"flooded": 2.0, "agm": 2.0, "gel": 2.0, "lifepo4": 3.2}
"""Volts per cell that a bank with charge left falls to under an evening's load (our choice): an end of the
supply up here would halt the computer every night."""


def computer_findings(site: Site) -> Iterator[tuple[str, TomlPath, str]]:
    """(severity, path, text) for each contradiction."""
    entry, ends_V = site.computer, site.supply_ends_V
    if entry.halt and ends_V is None:
        text = (
            "nothing tells when the supply ends; give [computer] supply_ends_V, the bank's voltage at which"
            " this computer goes off"
        )
        yield "error", ("computer", "halt"), text
    if entry.night_every_s is not None and site.array is None:
        text = "night is known from the sun's table, which needs [array]; without it nothing is slowed"
        yield "warning", ("computer", "night_every_s"), text
    if entry.supply_ends_V is not None:
        yield from _end_of_supply(site, entry.supply_ends_V)


def _end_of_supply(site: Site, ends_V: float) -> Iterator[tuple[str, TomlPath, str]]:
    path, cells = ("computer", "supply_ends_V"), site.bank.cells_in_series
    if ends_V > HIGHEST_END_PER_CELL[site.bank.chemistry] * cells:
        text = (
            f"{ends_V:g} V is {ends_V / cells:.2f} V per cell, where {USUAL[site.bank.chemistry].words} still"
            " has charge; write the bank's voltage at which this computer goes off"
        )
        yield "warning", path, text
