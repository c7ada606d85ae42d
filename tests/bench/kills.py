"""What kills at random moments cost: python -m tests.bench.kills [--kills N] [--seed S] [--kinds A,B,...]

Daemon, page, forwarder, imports, migrations, compacting, backups and restores of a real store are killed
without warning under load, and copies of what a killed daemon leaves are torn as a cut of the current may
tear them (`tests/faults/kill_world.py` and `kill_field.py` say what must hold after each; the first that
does not ends the run). Printed are the kills by kind, what was in the store in the end, and how old the
newest reading was when the daemon was killed: a commit is due each second here, a poll each 0.2 s, so that
two seconds are what a kill may cost, and more tells that the computer was busy.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.store.upkeep import size_of
from tests.bench.figures import cost, hand_over
from tests.faults.kill_field import FIELD_KINDS, FIELD_SHARES, field_world
from tests.faults.kill_world import draw_kinds


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(2**32))
    parser.add_argument("--kinds", default=",".join(FIELD_KINDS), help="only these")
    options = parser.parse_args()
    shares = dict(zip(FIELD_KINDS, FIELD_SHARES, strict=True))
    kinds = options.kinds.split(",")
    print(f"seed {options.seed}", flush=True)
    begin_s = time.monotonic()
    with TemporaryDirectory() as name, field_world(Path(name), options.seed) as killed:
        for done, kind in enumerate(
            draw_kinds(killed.rng, options.kills, kinds, [shares[kind] for kind in kinds]), start=1
        ):
            killed.kill_one(kind)
            if done % 20 == 0:
                print(f"  {done} kills, {time.monotonic() - begin_s:.0f} s", file=sys.stderr, flush=True)
        killed.finish()
        size = size_of(killed.store)
        lost_s = sorted(killed.lost_s)
        print(f"{sum(killed.kills.values())} kills: {dict(sorted(killed.kills.items()))}")
        print(f"  {size.readings} readings, {size.blocks} blocks, {len(killed.requests)} requests, all done")
        print(
            f"  {killed.confirmed_notes} notes confirmed by the page ({killed.kept_notes} kept),"
            f" {len(killed.notices)} notices, {len(killed.far.arrivals)} arrived"
        )
        if killed.back_s:
            print(
                f"  torn copies {dict(killed.damages)}: each came up as its last whole commit;"
                f" where the last one was hit {max(killed.back_s):.1f} s back at most"
            )
        print("  nothing confirmed or seen was lost, each file sound, the last start came up by itself")
        if lost_s:
            print(
                f"  newest reading when the daemon was killed: {lost_s[len(lost_s) // 2]:.1f} s old in the"
                f" middle, {lost_s[-1]:.1f} s at most (commit interval 1 s)"
            )
            hand_over(
                cost("kills after which nothing confirmed was lost", sum(killed.kills.values()), ""),
                cost("age of the newest reading after a kill, at most", lost_s[-1], "s", at_most=2.0),
            )


if __name__ == "__main__":
    main()
