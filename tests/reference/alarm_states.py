"""The transitions of an alarm as ISA-18.2 / IEC 62682 draw them, written out. From memory; the standards cost
money and were not at hand. Imports nothing of the project.

A row: state, event, whether the value is beyond its limit when the event has come, whether the alarm
latches; and the state after it. '*' stands for either. What the standard draws is marked [S]; where it leaves
the way to the site's philosophy the row is marked [P] and is the one that monitor/alarms/engine.py states.
"""

NORMAL = "normal"
UNACK = "unacknowledged"
ACK = "acknowledged"
RETURNED = "returned to normal unacknowledged"
LATCHED_UNACK = "latched unacknowledged"
LATCHED_ACK = "latched acknowledged"
SHELVED = "shelved"
SUPPRESSED = "suppressed by design"
OUT = "out of service"

STATES = (NORMAL, UNACK, ACK, RETURNED, LATCHED_UNACK, LATCHED_ACK, SHELVED, SUPPRESSED, OUT)

EVENTS = (
    "raise",  # the value goes beyond its limit, delay over
    "return",  # and back, deadband and delay over
    "acknowledge",
    "reset",
    "shelve",
    "unshelve",
    "suppress",
    "unsuppress",
    "out of service",
    "in service",
)

NO, YES, ANY = False, True, "*"

TABLE = (
    # state, event, value beyond after the event, latching, state after
    (NORMAL, "raise", YES, ANY, UNACK),  # [S] A to B
    (UNACK, "acknowledge", YES, ANY, ACK),  # [S] B to C
    (ACK, "return", NO, NO, NORMAL),  # [S] C to A
    (UNACK, "return", NO, NO, RETURNED),  # [S] B to D
    (RETURNED, "acknowledge", NO, ANY, NORMAL),  # [S] D to A
    (RETURNED, "raise", YES, ANY, UNACK),  # [S] D to B, re-alarm
    (UNACK, "return", NO, YES, LATCHED_UNACK),  # [S] B to E
    (ACK, "return", NO, YES, LATCHED_ACK),  # [S] C to F
    (LATCHED_UNACK, "acknowledge", NO, ANY, LATCHED_ACK),  # [S] E to F
    (LATCHED_ACK, "reset", NO, ANY, NORMAL),  # [S] F to A
    (LATCHED_UNACK, "raise", YES, ANY, UNACK),  # [S] re-alarm
    (LATCHED_ACK, "raise", YES, ANY, UNACK),  # [S] re-alarm
    # [S] from every one of the six: shelving (G), suppression by design (H), out of service (I)
    *((state, "shelve", ANY, ANY, SHELVED) for state in STATES[:6]),
    *((state, "suppress", ANY, ANY, SUPPRESSED) for state in STATES[:6]),
    *((state, "out of service", ANY, ANY, OUT) for state in STATES[:6]),
    # [S] and back: to unacknowledged where the value is beyond, else to normal
    (SHELVED, "unshelve", YES, ANY, UNACK),
    (SHELVED, "unshelve", NO, ANY, NORMAL),
    (SUPPRESSED, "unsuppress", YES, ANY, UNACK),
    (SUPPRESSED, "unsuppress", NO, ANY, NORMAL),
    (OUT, "in service", YES, ANY, UNACK),
    (OUT, "in service", NO, ANY, NORMAL),
    # [P] a shelving can be made anew, a suppressed alarm be shelved; any can be taken out of service
    (SHELVED, "shelve", ANY, ANY, SHELVED),
    (SUPPRESSED, "shelve", ANY, ANY, SHELVED),
    (SHELVED, "out of service", ANY, ANY, OUT),
    (SUPPRESSED, "out of service", ANY, ANY, OUT),
)  # fmt: skip
"""Every way there is; an event that has no row leaves the state as it is."""


def after(state: str, event: str, *, beyond: bool, latching: bool) -> str | None:
    """The state after an event, None where the table has no way for it."""
    found = {
        row[4]
        for row in TABLE
        if row[0] == state and row[1] == event and row[2] in (ANY, beyond) and row[3] in (ANY, latching)
    }
    assert len(found) <= 1, (state, event, beyond, latching, found)
    return found.pop() if found else None
