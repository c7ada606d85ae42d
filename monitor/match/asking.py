"""The one reading or act that would separate what is left.

Each doubt has an act that answers it; the one that helps most quantities is asked for. Where nothing that a
person can do tells two places apart, nothing is asked; nor is anybody asked to come back tomorrow only to
show that the day's energy is no total: Nightbank reads neither.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from monitor.match.answer import Answer, Finding
from monitor.match.gates import SOLAR
from monitor.match.habits import NAMES

COVER = "Cover the panel for ten seconds, so that the display follows, and read it while the panel is covered"
LAMP = "Switch a lamp on at the controller's load output and read the display while it burns"
LAMP_IN_SUN = "While the sun charges, switch a lamp on at the controller's load output and read the display"
LAMP_OFF = "Switch the lamps off and read the display again"
OUTPUT_OFF = (
    "Unless this computer lives on it, switch the controller's load output off and read the display while it "
    "is off"
)
SUN = "Read the display again when the sun is strong"
DARK = "Read the display again after dark, with a lamp burning"
LATER = "Read the display again in some hours, when its digits have changed"
COOLER = "Read the display again when it has become cooler, in the evening or early in the morning"
WARMER = "Read the display again when it has become warmer, around noon"
STEADY = "Read the display again while its digits stand still"
OTHER_DAY = "Read the display again on another day of the month"
AGAIN = "Read the display once more, all of it at one moment"
ARRAY_VOLTS = "Read the array's voltage off the display as well, in the sun"

MANY_VALUES = 5
"""So many different values have told what values can tell: what still agrees always will (our choice)."""

MOST_LOOKS = 8
"""After so many looks no further one is asked for (our choice)."""


@dataclass(frozen=True, slots=True)
class Ask:
    """What to do, and for which quantities."""

    act: str
    quantities: tuple[str, ...]

    @property
    def text(self) -> str:
        """A sentence for a person."""
        names = [NAMES[quantity] for quantity in self.quantities]
        told = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
        return f"{self.act}. That would tell more about the {told}."


def ask(answer: Answer) -> Ask | None:
    """The act that helps most quantities, None where none helps."""
    helped: dict[str, list[str]] = defaultdict(list)
    for finding in answer.findings:
        for act in dict.fromkeys(acts(finding)):
            helped[act].append(finding.quantity)
    if not helped:
        return None
    # what can be in no register comes last; of acts that help as much nobody likes to be in the dark
    act = max(helped, key=lambda key: (key != AGAIN, len(helped[key]), key != OUTPUT_OFF))
    return Ask(act, tuple(helped[act]))


def acts(finding: Finding) -> Iterator[str]:
    """What could settle a finding's doubts."""
    if not finding.choices:
        if len(finding.indexes) == 1:  # a slip of the finger, or digits that moved meanwhile
            yield AGAIN
        return
    if finding.state == "certain" or "through" in finding.doubts:
        return
    values = [told.value for told in finding.shown]
    if len(values) >= MOST_LOOKS or ("twin" in finding.doubts and max(values) > min(values)):
        return  # the same value in two places: either will do
    told_much = len(set(values)) >= MANY_VALUES
    for doubt in finding.doubts:
        if doubt in ("lag", "little", "rivals", "twin"):
            if not told_much:
                yield STEADY if doubt == "lag" else _change(finding.quantity, values)
        elif doubt == "extreme":
            yield _turn(finding.quantity, values)
        elif doubt == "net":
            yield LAMP_IN_SUN if finding.quantity != "array_voltage_V" else SUN
        elif doubt in ("charge", "array"):
            yield _tell_charge(finding.quantity)
        elif doubt in ("load", "probe"):
            yield SUN
        elif doubt == "shared":
            yield LAMP_IN_SUN
        elif doubt == "sign":
            yield COOLER if finding.quantity.endswith("temperature_C") else DARK
        elif doubt == "month":
            yield OTHER_DAY
        elif doubt == "output":
            yield OUTPUT_OFF


def _change(quantity: str, values: Sequence[float]) -> str:
    """What gives digits that have changed."""
    if quantity == "load_current_A":
        return LAMP if not any(values) else LAMP_OFF if min(values) > 0 else LAMP
    if quantity in ("battery_current_A", "battery_voltage_V"):
        return LAMP
    if quantity in SOLAR:
        return SUN if not any(values) else COVER
    return LATER


def _turn(quantity: str, values: Sequence[float]) -> str:
    """What makes a quantity go the other way than it has gone."""
    rose = values[-1] >= values[0]
    if quantity in ("battery_current_A", "battery_voltage_V"):
        return LAMP if rose else SUN
    if quantity in SOLAR:
        return COVER
    if quantity == "load_current_A":
        return LAMP_OFF if rose else LAMP
    if quantity.endswith("temperature_C"):
        return COOLER if rose else WARMER
    return DARK if rose else SUN


def _tell_charge(quantity: str) -> str:
    """What tells a quantity from the charge or the array's current."""
    if quantity == "battery_current_A":
        return LAMP_IN_SUN
    return SUN if quantity == "array_power_W" else ARRAY_VOLTS
