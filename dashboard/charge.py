"""The state of charge as the page tells it: one figure with a band, or a wide band alone. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from dashboard.local import in_form
from dashboard.snapshot import Snapshot
from dashboard.values import Value, value_of
from dashboard.words import number, percent
from monitor.bank.charge_words import WIDE_SD, charge_band
from monitor.present import Look
from monitor.site.model import Site

SURE = "19 times in 20"
"""How often a band of two standard deviations holds the truth."""


@dataclass(frozen=True, slots=True)
class Charge:
    """The charge: its figure, what stands beside it, the words for the sentence, and what it rests on.

    figure's text is the band where that is wide. clause is '72 % charged (64 to 80 %)', '' where the charge
    is not known. basis is empty unless the charge is of now: its ages count from the newest estimate.
    """

    figure: Value
    beside: str
    clause: str
    basis: tuple[str, ...]


def charge_of(snapshot: Snapshot, site: Site) -> Charge:
    """State of charge with its band."""
    figure = value_of(snapshot, site, "state_of_charge")
    spread = value_of(snapshot, site, "state_of_charge_sd")
    basis = tuple(map(in_form, snapshot.basis)) if figure.look is Look.LIVE else ()
    if figure.number is None:
        beside = figure.note if figure.age else "not estimated yet"
        return Charge(replace(figure, note=beside), beside, "", basis)
    if spread.number is None or spread.look is not figure.look:
        return Charge(figure, figure.note, f"{figure.text} charged", basis)
    low, high = charge_band(figure.number, spread.number)
    least, most = number(low * 100, 0), percent(high)
    band = f"{least} to {most}"
    if spread.number > WIDE_SD:
        clause = f"somewhere between {least} and {most} charged"
        return Charge(replace(figure, text=band), SURE, clause, basis)
    return Charge(figure, f"{band}, {SURE}", f"{figure.text} charged ({band})", basis)
