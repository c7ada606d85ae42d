"""What a run of a fleet amounted to: for a person one sentence, for a program one document."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from simulator.fleet.loading import Tally
from simulator.fleet.plan import Plan


def sentence(plan: Plan, tally: Tally, cpu_s: float) -> str:
    """What was sent."""
    text = (
        f"{_counted(plan.sites, 'site')} sent {_counted(tally.lines, 'line')} with {tally.values:,} values, "
        f"{tally.text_bytes / 1e6:,.1f} MB of text in {_counted(tally.requests, 'request')}, within "
        f"{tally.wall_s:,.1f} s and with {cpu_s:,.1f} s of this computer's CPU"
    )
    if tally.offline:
        text += f"; {len(tally.offline):,} of them had no network for a while"
    if tally.tried_again:
        text += f"; {_counted(tally.tried_again, 'request')} had to be sent again"
    return text + "."


def troubles(plan: Plan, tally: Tally, ended: bool, lacking: dict[str, str] | None) -> Iterator[str]:
    """What went wrong, by site. lacking is what the check has found, None where nothing was read back."""
    if not ended:
        yield (
            f"It was stopped: {tally.lines:,} of {plan.lines:,} lines are sent. The same once more begins "
            "anew; what the server has comes into its own place."
        )
    for name, words in tally.not_taken.items():
        yield f"{name}: the server has not taken all its lines: {words}"
    for name, words in (lacking or {}).items():
        yield f"{name}: {words}"


def verdict(plan: Plan, lacking: dict[str, str]) -> str:
    """What the check has found."""
    if not lacking:
        return f"Read back {_counted(plan.sites, 'site')}: every point is there, once."
    return (
        f"Read back {_counted(plan.sites, 'site')}: {len(lacking):,} not as sent, named above. Where there "
        "is more than was sent, the bucket had readings of such sites before (take an empty one), or the "
        "server keeps both of two equal points."
    )


def document(
    plan: Plan, tally: Tally, cpu_s: float, ended: bool, lacking: dict[str, str] | None
) -> dict[str, Any]:
    """The same for a program; lacking is null where nothing was read back."""
    return {
        "sites": plan.sites,
        "lines": tally.lines,
        "values": tally.values,
        "text_bytes": tally.text_bytes,
        "requests": tally.requests,
        "requests_sent_again": tally.tried_again,
        "sites_offline": len(tally.offline),
        "wall_s": round(tally.wall_s, 3),
        "cpu_s": round(cpu_s, 3),
        "ended": ended,
        "not_taken": tally.not_taken,
        "lacking": lacking,
    }


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}" + ("" if count == 1 else "s")
