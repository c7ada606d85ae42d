"""How long to wait for the next try: twice as long each time, up to a limit, with jitter. Pure."""

from __future__ import annotations

FIRST_S = 5.0
"""Before the second try (our choice: a dropped packet, a broker that restarts)."""

MOST_S = 900.0
URGENT_MOST_S = 300.0
"""The longest wait, and the longest while something urgent is due (our choice: when the network comes back at
night nobody should wait for long, and a try costs next to nothing)."""

LEAST_SHARE = 0.5
"""The jitter takes up to half of a wait off, so that sites behind one router do not all come back at once."""


LONGEST_ASKED_S = 3600.0
"""So long at most the other end's own wish is heeded (our choice: a wrong one must not stop everything)."""


def wait_s(failures: int, *, urgent: bool, share: float = 1.0, asked_s: float | None = None) -> float:
    """Seconds until the next try after so many failures in a row; share is the jitter, LEAST_SHARE to 1,
    asked_s how long the other end asks to be left alone."""
    if failures < 1:
        return 0.0
    most_s = URGENT_MOST_S if urgent else MOST_S
    usual_s = min(most_s, FIRST_S * 2.0 ** min(failures - 1, 30)) * share
    return usual_s if asked_s is None else max(usual_s, min(asked_s, LONGEST_ASKED_S))
