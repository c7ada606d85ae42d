"""Fuses: standard sizes, and the factors between a current and the fuse that may stand in it. Pure."""

from __future__ import annotations

STANDARD_A = (
    1, 3, 6, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250,
)  # fmt: skip
"""NEC 240.6, from memory; greater ones stand there too, but no wire of these tables bears them."""

SIZES_SOURCE = "standard sizes: NEC 240.6, from memory"

CONTINUOUS = 1.25
"""A fuse is not loaded with more than 80 % of its rating for hours (practice, from memory)."""

BRIGHT_SUN = 1.25
"""A panel gives more than its plate says where clouds' edges and snow add light: NEC 690.8(A)(1), secondary
source."""

STRINGS_THAT_WANT_FUSES = 3
"""Two strings cannot push more through each other than one gives (practice, from memory)."""


def fuse_for(current_A: float) -> int | None:
    """The smallest standard size that is not below a current; None above the largest."""
    return next((size for size in STANDARD_A if size >= current_A - 1e-9), None)


def largest_fuse(carries_A: float) -> int:
    """The largest standard size that a wire still outlives. Raises ValueError below the smallest size."""
    return max(size for size in STANDARD_A if size <= carries_A + 1e-9)
