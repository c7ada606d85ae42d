"""How well the outlook tells the night, asked half an hour after sunset, beside two plain methods.

    python -m tests.bench.outlook_nights [--jobs 2] [--seeds 1-12] [--quick]

Every seed is a site of its own (tests/nights) of five weeks; its nights from the fourth on are judged. The
plain methods are given the true sunrise and the true loads. 'same current' draws the present current on
until sunrise, the voltage falling by the chemistry's rest curve; 'same night' repeats the last one. Voltages
are scaled to a 12 V bank. A warning is a probability of WARN_PROBABILITY or more, in any of the outlooks made
every hour from three hours before sunset on; a crossing (true charge below the reserve, or the bank below the
controller's disconnect, first between sunset and sunrise) is warned of in time if that was three hours or
more before it. --quick leaves the warnings out.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from math import sqrt
from statistics import fmean

from monitor.outlook import WARN_PROBABILITY
from tests.bench.figures import Figure, accuracy, hand_over, ratio
from tests.nights.judge import HOUR_MS, NightJudged, Plain, Told, judged

EARLY_MS = 3 * HOUR_MS
THRESHOLDS = sorted({0.1, 0.15, 0.25, 0.3, 0.4, 0.5, 0.6, WARN_PROBABILITY})

NIGHTS = "sites drawn by seed, banks of other physics"
HEADER = (
    f"{'site':22s} {'nights':>6s} | {'inside p10-p90':^17s} | {'lowest voltage, RMS V':^24s} |"
    f" {'Ah, RMS share':^24s} | {'Ah, RMS of ratio':^24s} | {'charge':^13s}\n"
    f"{'':22s} {'':6s} | {'soc':>5s} {'V':>5s} {'Ah':>5s} | {'ours':>7s} {'current':>8s} {'night':>7s} |"
    f" {'ours':>7s} {'current':>8s} {'night':>7s} | {'ours':>7s} {'current':>8s} {'night':>7s} |"
    f" {'now':>6s} {'min':>6s}"
)


def line(label: str, nights: Sequence[NightJudged]) -> str:
    """One row of the table: over these nights."""
    ours = [night.asked for night in nights]
    plain = [night.same_current for night in nights]
    last = [night.same_night for night in nights if night.same_night is not None]
    scale = [12 / (12 * round(night.volts / 12.5)) for night in nights]
    volts = [each.voltage_V[1] - each.true_voltage_V for each in ours]
    return (
        f"{label:22s} {len(nights):6d} |"
        f" {_inside(ours, lambda t: t.soc_min, lambda t: t.true_soc_min):5.2f}"
        f" {_inside(ours, lambda t: t.voltage_V, lambda t: t.true_voltage_V):5.2f}"
        f" {_inside(ours, lambda t: t.used_Ah, lambda t: t.true_used_Ah):5.2f} |"
        f" {_rms(e * by for e, by in zip(volts, scale, strict=True)):7.3f}"
        f" {_rms(_volts_off(each) * by for each, by in zip(plain, scale, strict=True)):8.3f}"
        f" {_rms(_volts_off(each) * by for each, by in zip(last, scale, strict=True)):7.3f} |"
        f" {_share([(t.used_Ah[1], t.true_used_Ah) for t in ours]):7.3f}"
        f" {_share([(p.used_Ah, p.true_used_Ah) for p in plain]):8.3f}"
        f" {_share([(p.used_Ah, p.true_used_Ah) for p in last]):7.3f} |"
        f" {_rms(t.used_Ah[1] / t.true_used_Ah - 1 for t in ours):7.3f}"
        f" {_rms(p.used_Ah / p.true_used_Ah - 1 for p in plain):8.3f}"
        f" {_rms(p.used_Ah / p.true_used_Ah - 1 for p in last):7.3f} |"
        f" {_rms(t.soc_error for t in ours):6.3f} {_rms(t.soc_min[1] - t.true_soc_min for t in ours):6.3f}"
    )


def figures(nights: Sequence[NightJudged]) -> list[Figure]:
    """The figures of all nights together, in the units of the table."""
    ours = [night.asked for night in nights]
    plain = [night.same_current for night in nights]
    last = [night.same_night for night in nights if night.same_night is not None]
    volts = _rms(
        (t.voltage_V[1] - t.true_voltage_V) / round(n.volts / 12.5) for t, n in zip(ours, nights, strict=True)
    )
    used = _share([(t.used_Ah[1], t.true_used_Ah) for t in ours])
    inside = _inside(ours, lambda t: t.soc_min, lambda t: t.true_soc_min)
    crossed = [night for night in nights if night.crossed_ms is not None]
    found = [
        accuracy(
            "nights whose lowest charge lies within the band", inside, "", NIGHTS, at_least=0.75, at_most=0.90
        ),
        accuracy("the night's lowest voltage, RMS error of 12 V", volts, "V", NIGHTS, at_most=0.15),
        accuracy("the night's Ah, RMS error of its RMS", 100 * used, "%", NIGHTS, at_most=25),
        ratio(
            "error of the night's Ah",
            used / _share([(p.used_Ah, p.true_used_Ah) for p in plain]),
            "the present current going on",
            at_most=0.67,
        ),
        ratio(
            "error of the night's Ah",
            used / _share([(p.used_Ah, p.true_used_Ah) for p in last]),
            "last night once more",
            at_most=0.67,
        ),
    ]
    if crossed and any(night.hourly for night in nights):
        warned = sum(
            _warned(night, WARN_PROBABILITY, (night.crossed_ms or 0) - EARLY_MS) for night in crossed
        )
        found.append(
            accuracy(
                "crossings of the reserve warned of 3 h before", 100 * warned / len(crossed), "%", at_least=95
            )
        )
    return found


def _volts_off(plain: Plain) -> float:
    return plain.voltage_V - plain.true_voltage_V


def _inside(
    told: Sequence[Told], band: Callable[[Told], tuple[float, float, float]], truth: Callable[[Told], float]
) -> float:
    return fmean(band(each)[0] <= truth(each) <= band(each)[2] for each in told)


def _rms(values: Iterable[float]) -> float:
    return sqrt(fmean(value * value for value in values))


def _share(pairs: Sequence[tuple[float, float]]) -> float:
    """RMS error over the RMS of the truth: nights in which nothing is used do not rule the figure."""
    return _rms(told - true for told, true in pairs) / _rms(true for _, true in pairs)


def warnings(nights: Sequence[NightJudged], threshold: float) -> str:
    """How many crossings were warned of in time, and how many nights were warned of in vain."""
    crossed = [night for night in nights if night.crossed_ms is not None]
    calm = [night for night in nights if night.crossed_ms is None and not night.low_before]
    warned = sum(_warned(night, threshold, (night.crossed_ms or 0) - EARLY_MS) for night in crossed)
    vain = [night for night in calm if _warned(night, threshold, None)]
    near = sum(night.lowest_over < 0.05 for night in vain)
    return (
        f"  threshold {threshold:4.2f}: {warned:3d} of {len(crossed)} crossings warned of 3 h ahead"
        f" ({warned / max(1, len(crossed)):.0%}); {len(vain):3d} of {len(calm)} calm nights warned of in vain"
        f" ({30 * len(vain) / max(1, len(calm)):.1f} in 30), {near} of them within 5 % of the reserve"
    )


def _warned(night: NightJudged, threshold: float, until_ms: int | None) -> bool:
    return any(
        max(told.crosses_reserve, told.crosses_disconnect or 0.0) >= threshold
        for told in night.hourly
        if until_ms is None or told.at_ms <= until_ms
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", default="1-12", metavar="A-B", help="the sites, from A to B")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="without the hourly outlooks")
    asked = parser.parse_args()
    first, last = (int(part) for part in asked.seeds.split("-"))
    print(HEADER, flush=True)
    nights: list[NightJudged] = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        for found in pool.map(partial(judged, hourly=not asked.quick), range(first, last + 1)):
            nights += found
            print(line(f"{found[0].site} {found[0].level}", found), flush=True)
    for level in ("shunt", "controller", "charging"):
        some = [night for night in nights if night.level == level]
        if some:
            print(line(f"all {level}", some))
    print(line("all", nights))
    hand_over(*figures(nights))
    if not asked.quick:
        print(f"\nwarnings (the alarm rule's threshold is {WARN_PROBABILITY})")
        for threshold in THRESHOLDS:
            print(warnings(nights, threshold))


if __name__ == "__main__":
    main()
