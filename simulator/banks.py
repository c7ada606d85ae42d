"""The bank a scenario asks for."""

from __future__ import annotations

from random import Random

from simulator.bank import PUBLISHED, Bank, BankSettings, draw_constants
from simulator.lead_acid import LeadAcidBank
from simulator.lithium import LiFePO4Bank


def build_bank(settings: BankSettings, temperature_C: float, rng: Random) -> Bank:
    """The bank a scenario describes; rng decides only where constants are drawn."""
    if settings.constants == "drawn":
        constants = draw_constants(settings.chemistry, rng)
    else:
        constants = PUBLISHED[settings.chemistry]
    kind = LiFePO4Bank if settings.chemistry == "lifepo4" else LeadAcidBank
    return kind(settings, constants, temperature_C)
