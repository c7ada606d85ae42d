"""What is usual for each battery chemistry: set points per cell, compensation, charge rate, Peukert.

Every constant names its source: a battery maker's guide, manual or data sheet of such batteries that was read
(three makers', one of them of AGM and gel alone); 'from memory' marks a value of the trade that was not seen
in print and serves as a default only. Spans are drawn around what these sources say (our choice). Voltages
are per cell at 25 °C. Imports nothing of the project but model.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.site.model import Chemistry

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class SetPoint:
    """A default per cell, the span in which makers' values lie, and where both come from."""

    default_V: float
    usual_V: Span
    source: str


@dataclass(frozen=True, slots=True)
class Usual:
    """What is usual for one chemistry.

    bank_cells: cells in series of banks of 12, 24, 36 and 48 V.
    absorption, float_charge, disconnect, reconnect: set points per cell. equalization is None where the
    chemistry must not be equalized. compensation_V_per_C is per cell. charge_rate is the usual span of
    charge current over the 20-hour capacity. peukert is the exponent toward 20 h from a shorter and from a
    longer rate.
    """

    words: str
    bank_cells: tuple[int, ...]
    absorption: SetPoint
    float_charge: SetPoint
    equalization: SetPoint | None
    disconnect: SetPoint
    reconnect: SetPoint
    compensation_V_per_C: float
    compensation_usual: Span
    compensation_source: str
    charge_rate: Span
    charge_rate_source: str
    peukert_shorter: float
    peukert_longer: float
    peukert_source: str


_LEAD_ACID_BANKS = (6, 12, 18, 24)
_LEAD_ACID_DISCONNECT = SetPoint(1.90, (1.85, 2.00), "maker's manual: 1.90 to 1.95 V under load")
_LEAD_ACID_RECONNECT = SetPoint(2.10, (2.00, 2.25), "from memory: 12.6 V on a 12 V bank")

USUAL: dict[Chemistry, Usual] = {
    "flooded": Usual(
        words="flooded lead-acid",
        bank_cells=_LEAD_ACID_BANKS,
        absorption=SetPoint(14.8 / 6, (2.40, 2.60), "maker's data sheet: 14.8 V on 12 V; guide to 2.58"),
        float_charge=SetPoint(13.2 / 6, (2.15, 2.32), "maker's data sheet: 13.2 V on 12 V"),
        equalization=SetPoint(15.5 / 6, (2.50, 2.70), "maker's data sheet: 15.5 V on 12 V"),
        disconnect=_LEAD_ACID_DISCONNECT,
        reconnect=_LEAD_ACID_RECONNECT,
        compensation_V_per_C=-0.005,
        compensation_usual=(-0.006, -0.003),
        compensation_source="maker's guide: -5.04 mV per cell and °C",
        charge_rate=(0.05, 0.20),
        charge_rate_source="maker's manual: 10 %, at least 5 %, at most 20 %",
        peukert_shorter=1.166,
        peukert_longer=1.071,
        peukert_source="computed from a maker's data sheet: 271/304/330/367 Ah at 5/10/20/100 h",
    ),
    "agm": Usual(
        words="AGM lead-acid",
        bank_cells=_LEAD_ACID_BANKS,
        absorption=SetPoint(2.40, (2.35, 2.47), "maker's data sheet: cyclic 2.35 V, at most 2.40 V"),
        float_charge=SetPoint(2.275, (2.20, 2.35), "maker's data sheet: 2.25 to 2.30 V"),
        equalization=None,
        disconnect=_LEAD_ACID_DISCONNECT,
        reconnect=_LEAD_ACID_RECONNECT,
        compensation_V_per_C=-0.004,
        compensation_usual=(-0.006, -0.002),
        compensation_source="maker's manual: -4 mV per cell and °C",
        charge_rate=(0.05, 0.30),
        charge_rate_source="maker's manual: 20 % recommended; at most 30 % from memory",
        peukert_shorter=1.15,
        peukert_longer=1.15,
        peukert_source="about 1.15 for valve-regulated batteries [secondary source]",
    ),
    "gel": Usual(
        words="gel lead-acid",
        bank_cells=_LEAD_ACID_BANKS,
        absorption=SetPoint(2.40, (2.33, 2.42), "maker's guide: 14.40 V on 12 V; another's at most 2.40"),
        float_charge=SetPoint(2.25, (2.20, 2.35), "maker's guide: 13.50 V on 12 V; another's 2.25 to 2.30"),
        equalization=None,
        disconnect=_LEAD_ACID_DISCONNECT,
        reconnect=_LEAD_ACID_RECONNECT,
        compensation_V_per_C=-0.005,
        compensation_usual=(-0.006, -0.002),
        compensation_source="maker's guide: -5.0 mV per cell and °C",
        charge_rate=(0.05, 0.20),
        charge_rate_source="from memory: at most 20 %",
        peukert_shorter=1.15,
        peukert_longer=1.15,
        peukert_source="about 1.15 for valve-regulated batteries [secondary source]",
    ),
    "lifepo4": Usual(
        words="LiFePO4",
        bank_cells=(4, 8, 12, 15, 16),
        absorption=SetPoint(3.55, (3.40, 3.65), "from memory: at most 3.65 V per cell"),
        float_charge=SetPoint(3.375, (3.25, 3.45), "from memory"),
        equalization=None,
        disconnect=SetPoint(3.00, (2.50, 3.20), "from memory: cells end at 2.5 V, daily use above it"),
        reconnect=SetPoint(3.25, (3.05, 3.40), "from memory"),
        compensation_V_per_C=0.0,
        compensation_usual=(0.0, 0.0),
        compensation_source="from memory: LiFePO4 is charged without compensation",
        charge_rate=(0.02, 0.50),
        charge_rate_source="from memory: at most 50 %; the battery's own sheet decides",
        peukert_shorter=1.03,
        peukert_longer=1.03,
        peukert_source="1.01 to 1.05 for LiFePO4 [secondary source]",
    ),
}


def capacity_at_20_h(chemistry: Chemistry, capacity_Ah: float, rate_h: float) -> float | None:
    """Capacity [Ah] at the 20-hour rate of a bank rated at another rate; None outside 5 to 100 h.

    Peukert: I^k t is constant, hence C20 = C · (20 / rate)^((k - 1) / k). The exponent itself falls toward
    low rates; the published values carry it from 5 to 100 h and no further.
    """
    if rate_h == 20:
        return capacity_Ah
    if not 5 <= rate_h <= 100:
        return None
    usual = USUAL[chemistry]
    k = usual.peukert_shorter if rate_h < 20 else usual.peukert_longer
    return float(capacity_Ah * (20 / rate_h) ** ((k - 1) / k))
