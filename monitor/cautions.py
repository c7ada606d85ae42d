"""The cautions: what a person must know before touching a bank, an array or an adapter.

Texts only, once for all rooms: whoever tells a person to touch something shows the ones that belong to it.
Common practice of the trade, no source; local codes and licensed practice come first. Imports
nothing of the project but how wide a terminal is.
"""

from __future__ import annotations

from monitor.terminal import point

CODES = (
    "Local codes and the makers' sheets come first. Where they ask for a licensed person, or where you are "
    "not sure, have a licensed person do it."
)
FUSE = (
    "Put a fuse or breaker rated for DC as close to the bank's positive post as you can, one for each "
    "string, sized for the wire it protects."
)
ORDER = (
    "Disconnect the array from the controller before you disconnect the bank; connect the bank first and the "
    "array last. A controller without its bank can be destroyed by the array."
)
SHORT_CIRCUIT = (
    "A bank gives thousands of amperes into a short circuit and cannot be switched off. Take off rings and "
    "watch, insulate your tools, cover the posts you do not work on."
)
ARRAY_LIVE = (
    "A panel is live whenever there is light, in rain too. DC arcs do not go out by themselves: never pull a "
    "connector under load, open the array's disconnect first."
)
ACID_AND_HYDROGEN = (
    "Lead-acid batteries hold sulphuric acid and give off hydrogen while charging: goggles and gloves, water "
    "at hand, ventilation from the top, no flame or spark."
)
LITHIUM = (
    "A LiFePO4 battery must not be charged below 0 °C and needs its own protection against over-charge, deep "
    "discharge and cold; keep to its maker's sheet."
)
WEIGHT = "Batteries are heavy: lift with two people or a strap, keep them upright."
SHOCK = (
    "From 60 V of direct current on a touch can kill, and an arc burns on: cover every bare end, take fuses "
    "and disconnects that are rated for that voltage at DC, and have a licensed person do it."
)
STRING_FUSES = (
    "From three parallel strings up, the other strings can push more current into a faulty one than it "
    "bears: each string needs its own DC fuse, of the rating on the panel's plate."
)
ADAPTER = (
    "Use an isolated RS-485 or USB adapter. Without isolation the data wire can tie the controller's common "
    "to the computer's ground and carry the bank's current; where there is no isolation, controller and "
    "computer must share one common ground, and only one. With a controller that has a common plus only an "
    "isolated one will do."
)

ACID_BRIEFLY = "Acid and hydrogen: goggles, gloves, fresh air, no flame or spark."
LITHIUM_BRIEFLY = "Never charge LiFePO4 below 0 °C; keep to its maker's sheet."
ARRAY_BRIEFLY = "A panel is live in any light; open the array's disconnect before you touch a connector."
ORDER_BRIEFLY = "Array off before the bank, always: a controller without its bank can be destroyed."
FROZEN_BRIEFLY = "Never charge a frozen battery: it can burst."
"""One line each, for an alarm's notice; the whole stands above."""

CONNECTING_A_DEVICE = (CODES, ADAPTER, SHORT_CIRCUIT)


TOUCH_V = 60.0
"""Up to here bare parts may be touched where it is dry (IEC 60364-4-41, 414, from memory)."""

ABOVE_WORK = 1.4
"""A bank that is equalized, or an open array in hard frost, stands up to so many times its voltage at work
(our choice: 62 V on 48 V of lead-acid; 1.22 for Voc over Vmp times 1.15 for the cold)."""


def for_voltage(works_at_V: float) -> tuple[str, ...]:
    """What belongs to a voltage at work that may come to one that kills."""
    return (SHOCK,) if ABOVE_WORK * works_at_V >= TOUCH_V else ()


def for_system(chemistry: str, strings_in_parallel: int = 1, works_at_V: float = 0.0) -> tuple[str, ...]:
    """The cautions to show before someone wires or changes a system of this chemistry and array; works_at_V
    is the highest voltage at work in it."""
    texts = [CODES, *for_voltage(works_at_V), FUSE, ORDER, SHORT_CIRCUIT, ARRAY_LIVE]
    texts.append(LITHIUM if chemistry == "lifepo4" else ACID_AND_HYDROGEN)
    if strings_in_parallel > 2:
        texts.append(STRING_FUSES)
    return (*texts, ADAPTER, WEIGHT)


def main() -> None:
    """Print the cautions for connecting a device: what the installer shows."""
    for text in CONNECTING_A_DEVICE:
        print(point(text))


if __name__ == "__main__":
    main()
