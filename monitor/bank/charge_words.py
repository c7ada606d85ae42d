"""The state of charge as a person is told it: with its band, or by the band alone. Pure."""

from __future__ import annotations

BAND_SDS = 2.0
"""The band around the charge is two standard deviations each way: 19 times in 20 if errors are normal."""

WIDE_SD = 0.15
"""Above it the charge is told by its band alone: one figure would claim too much (our choice: the band is
then wider than half of the bank)."""


def charge_band(soc: float, sd: float) -> tuple[float, float]:
    """Between what the charge lies 19 times in 20, within 0..1."""
    return max(0.0, soc - BAND_SDS * sd), min(1.0, soc + BAND_SDS * sd)


def charge_words(soc: float | None, sd: float | None) -> str:
    """'72 % (64 to 80 %)'; 'somewhere between 6 and 100 %' where one figure would claim too much;
    'unknown'."""
    if soc is None or sd is None:
        return "unknown"
    low, high = (f"{100 * share:.0f}" for share in charge_band(soc, sd))
    if sd > WIDE_SD:
        return f"somewhere between {low} and {high} %"
    return f"{100 * soc:.0f} % ({low} to {high} %)"
