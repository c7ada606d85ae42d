"""A measured day of a real array, shipped in the pvanalytics package, made into a sky for the simulator."""

import csv
from dataclasses import dataclass
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path

RECORD = "data/serf_east_1min_ac_power.csv"
"""One-minute AC power [W] of a grid-tied array in Colorado, 18 and 19 March 2022 (pvanalytics data)."""

DAY = "2022-03-18"


@dataclass(frozen=True)
class MeasuredDay:
    """The day's power scaled to a small array: times with zone, watts, and their own trapezoid integral."""

    times: tuple[datetime, ...]
    watts: tuple[float, ...]

    @property
    def energy_Wh(self) -> float:
        steps = zip(self.times, self.times[1:], self.watts, self.watts[1:], strict=False)
        return sum((t1 - t0).total_seconds() / 3600 * (w0 + w1) / 2 for t0, t1, w0, w1 in steps)

    def write_sky(self, file: Path) -> None:
        """As the simulator's recorded sky: the best power that the array could give."""
        with file.open("w", newline="") as handle:
            out = csv.writer(handle)
            out.writerow(("time", "array_available_W"))
            out.writerows((t.isoformat(), f"{w:.3f}") for t, w in zip(self.times, self.watts, strict=True))


def measured_day(peak_W: float) -> MeasuredDay:
    """Sunrise to sunset of the measured day, scaled so that the highest minute gives peak_W."""
    spec = find_spec("pvanalytics")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    with (Path(spec.submodule_search_locations[0]) / RECORD).open(newline="") as handle:
        rows = [(row["measured_on"], float(row["ac_power__752"])) for row in csv.DictReader(handle)]
    day = [(datetime.fromisoformat(at), watts) for at, watts in rows if at.startswith(DAY)]
    lit = [index for index, (_, watts) in enumerate(day) if watts > 0]
    day = day[lit[0] - 1 : lit[-1] + 2]
    highest = max(watts for _, watts in day)
    return MeasuredDay(
        tuple(at for at, _ in day), tuple(max(0.0, watts) * peak_W / highest for _, watts in day)
    )
