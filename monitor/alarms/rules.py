"""Alarm rules as data: the shipped ones by chemistry, overridden or joined by the site file's."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.quantities import unit_of
from monitor.site.model import Site


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. The alarm comes when the value has been beyond set_point for on_delay_s, and goes when it
    has been back by more than deadband for off_delay_s. `beyond` is 'below' or 'above'."""

    name: str
    quantity: str
    beyond: str
    set_point: float
    deadband: float
    on_delay_s: float
    off_delay_s: float
    priority: str

    def is_beyond(self, value: float) -> bool:
        return value < self.set_point if self.beyond == "below" else value > self.set_point

    def is_back(self, value: float) -> bool:
        """Clear of the set point by the deadband."""
        if self.beyond == "below":
            return value >= self.set_point + self.deadband
        return value <= self.set_point - self.deadband

    def shows(self, value: float) -> str:
        """A value with the rule's unit: '11.68 V'."""
        return f"{value:.4g} {unit_of(self.quantity)}".rstrip()

    def says(self, value: float) -> str:
        """One plain sentence with value and limit."""
        return f"{self.name}: {self.shows(value)} is {self.beyond} {self.shows(self.set_point)}"


# Low voltage: lead-acid at 1.95 V a cell, the upper end of the disconnect range that a newer battery manual
# gives (1.90 to 1.95), so that the alarm comes before the usual disconnect. LiFePO4 at 3.125 V a cell: a
# 4-cell rest voltage of 12.5 V is about 14 % charge (maker-type chart, from memory).
LOW_VOLTAGE_PER_CELL = {"flooded": 1.95, "agm": 1.95, "gel": 1.95, "lifepo4": 3.125}

# Bank too hot: our choice below the 50 °C at which makers of lead-acid stop charging, and LiFePO4's 45 °C
# charge limit (both from memory, no source seen).
HOT_BANK_C = {"flooded": 45.0, "agm": 45.0, "gel": 45.0, "lifepo4": 43.0}

HOT_CONTROLLER_C = 75.0
"""Our choice: hotter than a healthy controller in a cabinet, cooler than where most begin to derate."""


def shipped_rules(site: Site) -> list[Rule]:
    """The rules that every site starts with, scaled to its bank."""
    chemistry, bank = site.bank.chemistry, site.bank
    cells = bank.cells_in_series
    return [
        Rule(
            "Low voltage",
            "battery_voltage_V",
            "below",
            round(LOW_VOLTAGE_PER_CELL[chemistry] * cells, 2),
            deadband=0.05 * cells,
            on_delay_s=120,
            off_delay_s=300,
            priority="high",
        ),
        Rule(
            "Bank too hot",
            "battery_temperature_C",
            "above",
            HOT_BANK_C[chemistry],
            deadband=3,
            on_delay_s=300,
            off_delay_s=300,
            priority="high",
        ),
        Rule(
            "Controller too hot",
            "controller_temperature_C",
            "above",
            HOT_CONTROLLER_C,
            deadband=5,
            on_delay_s=300,
            off_delay_s=300,
            priority="medium",
        ),
    ]


def rules_of(site: Site) -> list[Rule]:
    """Shipped rules, with the site file's [[alarms]] replacing those of the same name or added."""
    rules = {rule.name.casefold(): rule for rule in shipped_rules(site)}
    for entry in site.alarms:
        key = entry.name.casefold()
        if not entry.enabled:
            rules.pop(key, None)
            continue
        rules[key] = Rule(
            entry.name,
            entry.quantity,
            entry.condition,
            entry.set_point,
            entry.deadband,
            entry.on_delay_s,
            entry.off_delay_s,
            entry.priority,
        )
    return list(rules.values())
