"""Read a bank file: the tables of a site file that describe a bank, to run the estimator over any record.

[bank] must be there; [controller] and [meters] may. They are checked like those of a site file, with the same
words, keys and lines. [metering] and [[loads]] are used where they are as in a site file and otherwise passed
over, like all other tables. May import errors, toml_lines and the rest of `site`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from monitor.errors import SiteError
from monitor.site.faults import problems_from
from monitor.site.load import by_line, with_defaults
from monitor.site.model import Bank, Controller, Load, Metering, Meters, Site
from monitor.toml_lines import load_toml

CHECKED = ("bank", "controller", "meters")
USED_IF_SOUND = ("metering", "loads")

PLACE = {"name": "a bank file tells no place", "latitude_deg": 0.0, "longitude_deg": 0.0}
PLAIN_CONTROLLER = {"kind": "mppt", "rating_A": 500.0, "array_voltage_limit_V": 1000.0}
"""Where no [controller] stands: its set points become the chemistry's usual ones, and nothing reads these."""


@dataclass(frozen=True, slots=True)
class BankFile:
    """A bank, how it is charged and measured, set points filled in; passed_over names unsound tables."""

    bank: Bank
    controller: Controller
    meters: Meters
    metering: Metering
    loads: tuple[Load, ...]
    passed_over: tuple[str, ...]


def load_bank_file(path: Path) -> BankFile:
    """The bank that a file describes. Raises SiteError with one Problem for each fault in its tables."""
    data, lines = load_toml(path)
    tables: dict[str, Any] = {"site": PLACE, "controller": PLAIN_CONTROLLER}
    tables |= {name: data[name] for name in CHECKED if name in data}
    try:
        Site.model_validate(tables)
    except ValidationError as fault:
        problems = sorted(problems_from(fault.errors(), tables, lines), key=by_line)
        raise SiteError(str(path), tuple(problems)) from fault
    passed_over = []
    for name in USED_IF_SOUND:
        if name not in data:
            continue
        try:
            Site.model_validate(tables | {name: data[name]})
        except ValidationError:
            passed_over.append(name)
        else:
            tables[name] = data[name]
    site, _ = with_defaults(Site.model_validate(tables))
    assert site.controller is not None
    return BankFile(site.bank, site.controller, site.meters, site.metering, site.loads, tuple(passed_over))
