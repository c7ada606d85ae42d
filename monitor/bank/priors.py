"""What is believed of a bank before anything is measured: a median and a spread for each of its constants.

The spreads are drawn around what published tables and bank models say and how far they disagree; [guide],
[manual] and [TM5] are the documents of `tables.py`. Voltages are per cell. Charges and currents are shares of
the rated 20-hour capacity, and that share in an hour: a current of 0.05 empties a new bank in 20 h.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import hypot, log

from monitor.bank.description import BankDescription
from monitor.site.model import LEAD_ACID_CELL_V, LIFEPO4_CELL_V, Chemistry

Spread = tuple[float, float]
"""Mean and standard deviation of a constant, or of its logarithm where its name says ln."""


def ln(median: float, factor: float) -> Spread:
    """A positive constant: its median, and the factor that lies one standard deviation to either side."""
    return log(median), log(factor)


@dataclass(frozen=True, slots=True)
class Priors:
    """The constants by which one bank differs from another.

    ln_capacity: present capacity at 25 °C over the rated one. capacity_per_C: its relative change with
    temperature. rest_full_V, rest_span_V: cell voltage at long rest when full, and how much lower when empty
    (LiFePO4: an offset to the rest curve, and where it lies between two published curves, 0 to 1).
    ln_ohm_out, ln_ohm_in: voltage per unit of current, discharging and charging. ln_activation_V: the part
    that grows with the logarithm of the current. ln_end_rise: how steeply the charging voltage rises toward
    full. ln_low_knee: how steeply the voltage under load falls toward empty. ln_slow, ln_slow_h: voltage per
    unit of current that comes and goes within hours, and its time constant. surface_V, ln_surface_h: what a
    charge leaves on the plates, and how long at rest. ln_taper: width below full in which acceptance
    falls. ln_loss: share of any charge that is not stored. ln_gas: current that turns water into gas at
    2.40 V and 25 °C. full_at: true charge at which the signs of full show. ln_self_month: share lost in a
    month at 25 °C. offset: the current meter's zero, as a current. ln_own: what the monitor and the
    controller draw past the meters. ln_unseen: the mean of the loads where none is metered.
    """

    ln_capacity: Spread
    capacity_per_C: Spread
    rest_full_V: Spread
    rest_span_V: Spread
    ln_ohm_out: Spread
    ln_ohm_in: Spread
    ln_activation_V: Spread
    ln_end_rise: Spread
    ln_low_knee: Spread
    ln_slow: Spread
    ln_slow_h: Spread
    surface_V: Spread
    ln_surface_h: Spread
    ln_taper: Spread
    ln_loss: Spread
    ln_gas: Spread
    full_at: Spread
    ln_self_month: Spread
    offset: Spread = (0.0, 0.0)
    ln_own: Spread = (0.0, 0.0)
    ln_unseen: Spread = (0.0, 0.0)


NAMES = tuple(field.name for field in fields(Priors))


_FLOODED = Priors(
    # configured capacities are often too high, and banks old: 80 % of rating is common (facts of the trade)
    ln_capacity=ln(0.88, 1.14),
    capacity_per_C=(0.0075, 0.0025),  # 0.005 (Copetti 1993) to 0.012 below 10 °C (a worksheet of the trade)
    # full 2.085 (Copetti) to 2.18 V (Jackey, strong acid), [guide] 2.122
    # span 0.12 (Copetti), 0.145 [manual], 0.15 [TM5] to 0.227 V [guide]
    rest_full_V=(2.126, 0.026),
    rest_span_V=(0.182, 0.037),
    ln_ohm_out=ln(0.22, 1.7),  # Jackey 2007: 0.21 V per C; Copetti 1993: about 0.3
    ln_ohm_in=ln(0.6, 2.2),  # Jackey 0.25 to Copetti 1.5
    ln_activation_V=ln(0.008, 1.5),  # fits Copetti's drop below C/20; a Tafel slope of the right size
    ln_end_rise=ln(0.35, 2.0),
    ln_low_knee=ln(0.09, 2.0),  # Copetti: 0.27 / SOC^1.5
    ln_slow=ln(0.25, 1.7),  # the kinetic wells' lag (Manwell & McGowan 1993) times the rest span
    ln_slow_h=ln(2.0, 1.5),
    surface_V=(0.045, 0.018),  # the gap of Copetti's charge and discharge lines: 0.035 to 0.075
    ln_surface_h=ln(3.0, 1.5),  # rest of 1 h settles most, 6 h nearly all [guide]
    ln_taper=ln(0.040, 2.0),  # Copetti at C/10: 0.07; models without side reactions: next to nothing
    ln_loss=ln(0.025, 1.8),  # above 95 % at low charge (Stevens & Corey)
    ln_gas=ln(0.004, 2.0),  # 4 mA per Ah, vented, at 2.40 V (behind IEC 62485-2, from memory)
    full_at=(0.93, 0.045),  # controllers end the charge at 66 to 100 % true charge (bank models)
    ln_self_month=ln(0.10, 1.5),  # 10 to 12 [manual], 5 to 15 % a month [guide]
)
_AGM = replace(
    _FLOODED,
    rest_full_V=(2.135, 0.026),  # common tables 2.133, from memory; strong acid
    rest_span_V=(0.178, 0.035),
    ln_ohm_out=ln(0.17, 1.7),
    ln_ohm_in=ln(0.5, 2.2),
    ln_loss=ln(0.02, 1.8),  # recharge factor 1.05 to 1.10 with the taper [manual]
    ln_gas=ln(0.0015, 2.0),  # valve-regulated 1.6 mA per Ah (likewise)
    ln_self_month=ln(0.025, 1.6),  # 1 to 3 % a month, from memory
)
_GEL = replace(_AGM, rest_full_V=(2.137, 0.026), ln_ohm_out=ln(0.20, 1.7))
_LIFEPO4 = Priors(
    ln_capacity=ln(0.92, 1.13),
    capacity_per_C=(0.002, 0.0015),
    rest_full_V=(0.0, 0.004),
    rest_span_V=(0.5, 0.25),
    ln_ohm_out=ln(0.10, 1.6),
    ln_ohm_in=ln(0.10, 1.6),
    ln_activation_V=ln(0.002, 2.0),
    ln_end_rise=ln(0.002, 2.0),
    ln_low_knee=ln(0.003, 2.0),
    ln_slow=ln(0.05, 1.8),
    ln_slow_h=ln(2.0, 1.5),
    surface_V=(0.005, 0.003),
    ln_surface_h=ln(1.0, 1.5),
    ln_taper=ln(0.004, 1.8),
    ln_loss=ln(0.006, 1.8),
    ln_gas=ln(1e-12, 2.0),  # none
    full_at=(0.96, 0.03),
    ln_self_month=ln(0.025, 1.5),
)
PRIORS: dict[Chemistry, Priors] = {
    "flooded": _FLOODED,
    "agm": _AGM,
    "gel": _GEL,
    "lifepo4": _LIFEPO4,  # where no published span was seen: our choice around the two rest curves
}

ACCEPTANCE_AT_REST, ACCEPTANCE_PER_CURRENT = 0.5, 10.0
"""The taper (ln_taper) is a third as wide for a trickle as for a tenth of capacity an hour, growing evenly
(our choice within Copetti 1993 and Stevens & Corey)."""

USUAL_UNSEEN = ln(0.006, 2.1)
"""Mean of loads that no meter shows where none is declared: a seventh of the capacity a day (our choice)."""

OWN_FACTOR, OWN_SPREAD = 1.4, 2.0
"""What bypasses a controller that meters its loads: the monitor, the controller itself, now and then a small
load: a median of so many times the monitor's draw, with a wide spread (our choice)."""

STRAIGHT, STRAIGHT_SPREAD = 0.001, 3.0
"""Where loads are said to be wired straight to the bank, as many a fridge and pump is: a fortieth of the
capacity a day beside that. The spread is wide upward: two of its deviations reach a fifth of the capacity a
day, which is all that many a small system uses (our choice)."""

TOLERANCE_SD = 0.6
"""A stated tolerance is a bound: its standard deviation is that of an even spread, 1/√3 (common practice)."""


def priors_of(bank: BankDescription) -> Priors:
    """The priors of one bank with its own meters and loads."""
    size, meters = bank.capacity_Ah, bank.meters
    zero_A = hypot(TOLERANCE_SD * meters.current_offset_tolerance_A, 0.1 * meters.current_step_A)
    base = PRIORS[bank.chemistry]
    cell_V = LIFEPO4_CELL_V if bank.chemistry == "lifepo4" else LEAD_ACID_CELL_V
    gain_V = TOLERANCE_SD * meters.voltage_gain_tolerance * cell_V
    own_A = max(bank.monitor_A, 1e-4 * size)
    own = OWN_FACTOR * own_A / size
    return replace(
        base,
        rest_full_V=(base.rest_full_V[0], hypot(base.rest_full_V[1], gain_V)),
        offset=(0.0, zero_A / size),
        ln_own=ln(hypot(own, STRAIGHT), STRAIGHT_SPREAD) if bank.straight else ln(own, OWN_SPREAD),
        ln_unseen=USUAL_UNSEEN if bank.use_A is None else ln(max(bank.use_A, own_A) / size, 1.6),
    )
