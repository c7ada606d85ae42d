"""Where a unit has readable registers: what a search (`search.py`) has found, and how it is kept on disk."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from monitor.devices.link import READ_FUNCTIONS
from monitor.devices.modbus import MOST_REGISTERS, REGISTERS
from monitor.errors import NightbankError
from monitor.whole_file import write_whole


@dataclass(frozen=True, slots=True)
class Run:
    """`count` readable registers from `first`, read with `function`."""

    function: int
    first: int
    count: int

    @property
    def end(self) -> int:
        return self.first + self.count


@dataclass(frozen=True, slots=True)
class Places:
    """What was learnt of a unit: its readable runs, the most registers in one read, remarks for a person."""

    runs: tuple[Run, ...]
    largest: int
    remarks: tuple[str, ...] = ()

    @property
    def registers(self) -> int:
        return sum(run.count for run in self.runs)

    @property
    def requests(self) -> int:
        """Requests of one snapshot."""
        return sum(-(-run.count // self.largest) for run in self.runs)


class PlacesError(NightbankError, ValueError):
    """The remembered places cannot be used; the text says which file and what to do."""


def save_places(places: Places, path: Path, device: str) -> None:
    """Keep what was learnt of a device ('line, unit 1'). Raises PlacesError where that cannot be written."""
    try:
        write_whole(path, json.dumps({"device": device} | asdict(places), indent=1) + "\n")
    except OSError as error:
        raise PlacesError(
            f"{path} cannot be written ({error.strerror}); check folder, rights and room"
        ) from error


def load_places(path: Path, device: str) -> Places | None:
    """What was learnt of this device before, None where nothing was.

    Raises PlacesError for a file that is none of ours, or of another device.
    """
    try:
        kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        runs = tuple(Run(int(run["function"]), int(run["first"]), int(run["count"])) for run in kept["runs"])
        places = Places(runs, int(kept["largest"]), tuple(map(str, kept["remarks"])))
        whose = str(kept["device"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, OverflowError, RecursionError, KeyError, TypeError) as error:
        raise PlacesError(
            f"{path}: not the places of a former scan ({error}); remove it, and they are looked for anew"
        ) from error
    sound = 1 <= places.largest <= MOST_REGISTERS and all(
        run.function in READ_FUNCTIONS and run.first >= 0 and run.count >= 1 and run.end <= REGISTERS
        for run in places.runs
    )
    if not sound:
        raise PlacesError(f"{path}: holds impossible addresses; remove it, and they are looked for anew")
    if whose != device:
        raise PlacesError(
            f"{path}: of {whose}, not of {device}; give each device a dump of its own. If it is the same one "
            "on another line, remove this file"
        )
    return places
