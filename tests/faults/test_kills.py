"""Kills at random moments of all that writes a store, a few of those that `tests.bench.kills` makes."""

from __future__ import annotations

from pathlib import Path

from tests.faults.kill_field import FIELD_KINDS, FIELD_SHARES, field_world
from tests.faults.kill_world import draw_kinds

KILLS = 12


def test_whatever_is_killed_nothing_confirmed_is_lost_and_the_next_start_comes_up(
    tmp_path: Path, seed: int
) -> None:
    with field_world(tmp_path, seed) as killed:
        for kind in draw_kinds(killed.rng, KILLS, FIELD_KINDS, FIELD_SHARES):
            killed.kill_one(kind)
        killed.finish()
        assert sum(killed.kills.values()) == KILLS
        assert killed.polls > 0
        assert killed.requests
        assert killed.damages
