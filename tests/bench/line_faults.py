"""Lines that fail: is a wrong value ever believed, how soon is a device back, what does failing cost?

    python -m tests.bench.line_faults [--frames 10000] [--seed 1] [--jobs 12] [--only CLASS ...] [--write]

Ten classes of faults on Modbus RTU (a pseudo-terminal), Modbus TCP (a socket) and lines of text (a
pseudo-terminal, with CRC-16 and with XOR), each through the very poll loop of the daemon in a process of its
own (tests/faults/failing_line.py says what happens there). A pseudo-terminal has no speed: RTU runs at the
pace of 460,800 bit/s, so that the silence between frames and not the bits takes the time. The time-out is the
shortest that a site file allows, 0.05 s, the period five of them, as by default.

'frames' came while the fault was there. 'back' is the time from the end of the fault to the first good poll,
in poll periods: the longest (the median) of all ends. 'CPU' is that of the line's thread while every answer
fails, over the same while none does, for the worst of the class's faults. Targets: no wrong value, back
within 2 periods, CPU within 2. At the end: what the checksum lets through of wholly random answers, beside
what it should by its length, and which share of random registers the ranges of a charger's quantities stop.
--write puts the table into tests/faults/FAULTS.md.
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from monitor.devices.modbus import find_answer
from monitor.devices.profile import ModbusProfile
from monitor.devices.profile_file import find_profile
from monitor.devices.words import REGISTERS, judge, number_from
from monitor.records import Quality
from tests.bench.figures import accuracy, cost, hand_over
from tests.faults.failing_line import CLASSES, PERIOD_S, TRANSPORTS, Outcome
from tests.faults.peer import UNIT

FRAMES = 10_000
MOST_PERIODS, MOST_CPU = 2.0, 2.0
RANDOM_ANSWERS = 1_000_000
NAMES = {"rtu": "RTU", "tcp": "TCP", "text crc16": "text, CRC-16", "text xor": "text, XOR"}
COLUMNS = ("faults", "line", "wrong", "back, periods", "CPU", "frames", "hit", "values believed", "ends")
TABLE = Path(__file__).parents[1] / "faults" / "FAULTS.md"


def run_apart(kind: str, transport: str, frames: int, seed: int) -> Outcome:
    """One class on one transport in a process of its own."""
    order = [sys.executable, "-m", "tests.faults.failing_line", kind, transport, str(frames), str(seed)]
    done = subprocess.run(order, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, check=True)
    return Outcome(**json.loads(done.stdout))


def back_periods(outcome: Outcome) -> float:
    """The longest time to the first good poll after a fault, in periods."""
    return max(outcome.recovered_s) / PERIOD_S


def cpu_ratio(outcome: Outcome) -> float:
    return max(outcome.cpu_failing.values()) / outcome.cpu_good


def row(outcome: Outcome) -> str:
    cells = (
        outcome.kind,
        NAMES[outcome.transport],
        outcome.wrong,
        f"{back_periods(outcome):.2f} ({statistics.median(outcome.recovered_s) / PERIOD_S:.2f})",
        f"{cpu_ratio(outcome):.2f}",
        outcome.frames,
        outcome.hit,
        outcome.believed,
        len(outcome.recovered_s),
    )
    return "| " + " | ".join(map(str, cells)) + " |"


def faults_of(outcome: Outcome) -> list[str]:
    """What of the targets this one misses."""
    where = f"{outcome.kind}, {NAMES[outcome.transport]}"
    missed = []
    if outcome.wrong:
        missed.append(f"{where}: {outcome.wrong} wrong values, such as {', '.join(outcome.wrong_told[:3])}")
    for seconds, failed in zip(outcome.recovered_s, outcome.failed_after, strict=True):
        if seconds > MOST_PERIODS * PERIOD_S:
            missed.append(f"{where}: back after {seconds / PERIOD_S:.2f} periods; {failed}")
    if cpu_ratio(outcome) > MOST_CPU:
        ratios = {name: round(cpu / outcome.cpu_good, 2) for name, cpu in outcome.cpu_failing.items()}
        missed.append(f"{where}: CPU {ratios}")
    return missed


def by_chance(seed: int) -> str:
    """Random bytes behind the right unit, function and byte count, as the reader takes them."""
    rng = random.Random(seed)
    head = bytes((UNIT, 4, 8))
    passed = sum(find_answer(head + rng.randbytes(10), UNIT, 4, 4) is not None for _ in range(RANDOM_ANSWERS))
    charger = find_profile("marsh-charger", Path())
    assert isinstance(charger, ModbusProfile)
    measured = [point for point in charger.points if not point.meaning.codes and not point.meaning.bits]
    drawn = [
        judge(
            number_from([rng.randrange(65536) for _ in range(REGISTERS[point.encoding])], point.encoding),
            point.meaning,
        )
        for point in measured
        for _ in range(2000)
    ]
    stopped = sum(judged.quality is not Quality.GOOD for judged in drawn) / len(drawn)
    return (
        f"Of {RANDOM_ANSWERS:,} answers with the right beginning and random bytes behind it, {passed}\n"
        f"passed the checksum (2^-16 of them are {RANDOM_ANSWERS / 65536:.1f}). Of random registers under\n"
        f"the demo's charger map the plausible ranges stop {stopped:.0%}."
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--frames", type=int, default=FRAMES, help="frames a class on each transport")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=12, help="so many at a time; they mostly wait")
    parser.add_argument("--only", nargs="+", choices=CLASSES, default=list(CLASSES))
    parser.add_argument("--write", action="store_true", help="put the table into FAULTS.md")
    chosen = parser.parse_args()
    began_s = time.monotonic()
    asked = [(kind, transport) for kind in chosen.only for transport in TRANSPORTS]
    with ThreadPoolExecutor(chosen.jobs) as pool:
        found = list(pool.map(lambda one: run_apart(one[0], one[1], chosen.frames, chosen.seed), asked))
    table = ["| " + " | ".join(COLUMNS) + " |", "|" + "---|" * len(COLUMNS), *map(row, found)]
    lines = [*table, "", by_chance(chosen.seed)]
    print("\n".join(lines))
    missed = [text for outcome in found for text in faults_of(outcome)]
    print("\n".join(missed) or "targets met")
    print(f"{time.monotonic() - began_s:.0f} s")
    damage = "damaged and missing answers of ten classes"
    hand_over(
        accuracy("wrong values believed", sum(each.wrong for each in found), "", damage, at_most=0),
        accuracy(
            "back after a fault, slowest", max(map(back_periods, found)), "periods", at_most=MOST_PERIODS
        ),
        cost(
            "CPU while every answer fails, beside none, worst",
            max(map(cpu_ratio, found)),
            "times",
            at_most=MOST_CPU,
        ),
    )
    if chosen.write:
        before, _, rest = TABLE.read_text(encoding="utf-8").partition(table[0])
        after = rest.partition("\n## ")
        TABLE.write_text(before + "\n".join(lines) + "\n" + "".join(after[1:]), encoding="utf-8")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
