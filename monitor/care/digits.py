"""Ampere hours in words, for banks of 7 Ah as of 1,000: two digits at least, and no more decimals. Pure."""

from __future__ import annotations


def fine(value: float) -> str:
    """'450', '22', '6.5', '0.35', 'less than 0.01'; the value is not negative."""
    if 0 < value < 0.01:
        return "less than 0.01"
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"
