"""A panel's one-diode curve as far as its label tells it: softness and series resistance. Pure."""

from __future__ import annotations

from math import log

from monitor.sun.expected import Supply

SOFTNESS_SPAN = (0.035, 0.06)
"""The curve's a over Voc: n kT/q over a cell's open voltage, 25.7 mV times 1 to 1.35 over 0.57 to 0.73 V for
crystalline silicon (from memory)."""


def diode(supply: Supply) -> tuple[float, float]:
    """The curve's a [V] and Rs [ohm] of one panel from its data sheet's three points.

    They follow from the best point's lying on the curve and the power's being highest there; an a that no
    silicon cell has (rounded data sheets) is brought into its span; the best point still lies on the curve.
    """
    isc, imp = supply.panel_isc_A, supply.panel_imp_A
    bend = log(1 - imp / isc)
    softness_V = (2 * supply.panel_vmp_V - supply.panel_voc_V) / (imp / (isc - imp) + bend)
    lowest, highest = SOFTNESS_SPAN
    softness_V = min(max(softness_V, lowest * supply.panel_voc_V), highest * supply.panel_voc_V)
    return softness_V, max(0.0, (supply.panel_voc_V - supply.panel_vmp_V + softness_V * bend) / imp)
