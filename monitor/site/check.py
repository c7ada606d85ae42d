"""What in a site file contradicts itself or the usual practice: each with severity, key, line, advice.

`contradictions` asks every rule below; a rule yields (severity, path, text). Rules without a named source
are common practice. Imports of the project errors, toml_lines and the rest of `site`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from monitor.errors import Problem
from monitor.site.amounts import HOT_CELL_C, Amounts, ArrayAmounts, ControllerAmounts, amounts
from monitor.site.chemistry import USUAL
from monitor.site.computer_check import computer_findings
from monitor.site.load_check import load_findings
from monitor.site.mirror_check import mirror_findings
from monitor.site.model import LIFEPO4_CELL_V, LIFEPO4_ROUND_UNITS, Array, Bank, Controller, Site
from monitor.site.server_check import server_findings
from monitor.site.setpoints import set_point_findings
from monitor.site.units import advice_from, voc_coefficient_slips
from monitor.toml_lines import TomlLines, TomlPath, dotted

Finding = tuple[str, TomlPath, str]

PWM_HIGHEST_RATIO = 1.7  # our choice: array Vmp over absorption; a matched panel has 1.2 to 1.3
MOST_STRINGS = 4  # common practice: few parallel strings, or they share the charge unevenly


def contradictions(site: Site, lines: TomlLines | None = None) -> tuple[Problem, ...]:
    """Every contradiction in a site (best after `load.with_defaults`), errors first, then by line.

    Severity 'error': must not be built or run like this; 'warning': outside what is usual; 'note': right,
    but something goes with it. lines give the place in the file.
    """
    figures = amounts(site)
    found = [
        Problem(dotted(path), lines.nearest_line(path) if lines else None, text, severity)
        for rule in RULES
        for severity, path, text in rule(site, figures)
    ]
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(found, key=lambda problem: (order[problem.severity], problem.line or 0)))


def _bank_units(site: Site, figures: Amounts) -> Iterator[Finding]:
    bank = site.bank
    cell_V = LIFEPO4_CELL_V if bank.chemistry == "lifepo4" else 2.0
    fits = bank.chemistry == "lifepo4" and bank.unit_voltage_V in LIFEPO4_ROUND_UNITS
    if not fits and abs(bank.unit_voltage_V - cell_V * bank.cells_per_unit) > 0.1:
        text = (
            f"{bank.unit_voltage_V:g} V is no multiple of a {USUAL[bank.chemistry].words} cell's "
            f"{cell_V:g} V; write the nominal voltage printed on one unit"
        )
        yield "error", ("bank", "unit_voltage_V"), text
    elif bank.cells_in_series not in USUAL[bank.chemistry].bank_cells:
        text = (
            f"{bank.units_in_series} x {bank.unit_voltage_V:g} V in series make a {bank.voltage_V:g} V bank; "
            "usual are 12, 24, 36 and 48 V: count the units in one string again"
        )
        yield "warning", ("bank", "units_in_series"), text
    if bank.strings_in_parallel > MOST_STRINGS:
        text = (
            f"{bank.strings_in_parallel} strings in parallel share charge unevenly; usual are at most "
            f"{MOST_STRINGS}, better fewer strings of larger units"
        )
        yield "warning", ("bank", "strings_in_parallel"), text


def _reserve(site: Site, figures: Amounts) -> Iterator[Finding]:
    bank, path = site.bank, ("bank", "reserve_soc")
    if bank.chemistry != "lifepo4" and bank.reserve_soc < 0.2:
        # maker's guide: never below 80 % depth of discharge
        text = (
            f"{bank.reserve_soc:g} lets the bank fall below 20 %; makers set 80 % depth of discharge as "
            "the end"
        )
        yield "warning", path, text
    elif bank.chemistry != "lifepo4" and bank.reserve_soc < 0.5:
        # maker's manual: no more than 50 % as a habit
        text = f"{bank.reserve_soc:g} is deep for a habit; lead-acid lasts longer when half stays in"
        yield "note", path, text
    elif bank.reserve_soc > 0.9:
        yield "warning", path, f"{bank.reserve_soc:g} leaves next to nothing to use; usual is 0.5"


def _plate(site: Site, figures: Amounts) -> Iterator[Finding]:
    array = site.array
    if array is None:
        return
    if array.panel_vmp_V >= array.panel_voc_V:
        text = (
            f"{array.panel_vmp_V:g} V is not below panel_voc_V = {array.panel_voc_V:g} V; the two may be "
            "swapped"
        )
        yield "error", ("array", "panel_vmp_V"), text
    if array.panel_imp_A >= array.panel_isc_A:
        text = (
            f"{array.panel_imp_A:g} A is not below panel_isc_A = {array.panel_isc_A:g} A; the two may be "
            "swapped"
        )
        yield "error", ("array", "panel_imp_A"), text
    product_W = array.panel_vmp_V * array.panel_imp_A
    if abs(product_W - array.panel_power_W) > 0.1 * array.panel_power_W:
        text = (
            f"{array.panel_power_W:g} W does not agree with Vmp x Imp = {product_W:.0f} W; "
            "copy all five values from one panel's plate"
        )
        yield "warning", ("array", "panel_power_W"), text
    coefficient = array.voc_temperature_coefficient_per_C
    if not -0.0045 <= coefficient <= -0.0020:
        advice = advice_from(voc_coefficient_slips(array.panel_voc_V), coefficient)
        text = f"{coefficient:g} is outside the usual -0.0045 to -0.0020 per °C"
        text = f"{text}; {advice}" if advice else text
        yield "warning", ("array", "voc_temperature_coefficient_per_C"), text


def _aim(site: Site, figures: Amounts) -> Iterator[Finding]:
    array, latitude_deg = site.array, site.site.latitude_deg
    if array is None:
        return
    if 0 < array.tilt_deg < 1.6:
        degrees = array.tilt_deg * 57.29578
        text = f"{array.tilt_deg:g}° is nearly flat; if it is in radians write {degrees:.0f}, if flat write 0"
        yield "warning", ("array", "tilt_deg"), text
    pole_deg = 0.0 if latitude_deg > 0 else 180.0
    away_deg = abs((array.azimuth_deg - pole_deg + 180) % 360 - 180)
    if abs(latitude_deg) > 23.5 and array.tilt_deg > 10 and away_deg < 60:
        text = (
            f"{array.azimuth_deg:g}° faces away from the noon sun at this latitude; azimuth counts from "
            "north, clockwise: east 90, south 180, west 270"
        )
        yield "warning", ("array", "azimuth_deg"), text


def _array_voltage(site: Site, figures: Amounts) -> Iterator[Finding]:
    if site.array is None or site.controller is None or figures.array is None:
        return
    yield from _voc_cold(site.array, site.controller, figures.array)
    absorption_V = site.controller.absorption_V
    if absorption_V is not None:
        yield from _vmp(site.array, site.controller, figures.array, absorption_V)


def _voc_cold(array: Array, controller: Controller, sizes: ArrayAmounts) -> Iterator[Finding]:
    limit_V, path = controller.array_voltage_limit_V, ("array", "panels_in_series")
    assumed = " (assumed from the latitude: give [site] coldest_C)" if sizes.coldest_assumed else ""
    if sizes.voc_cold_V > limit_V:
        per_panel_V = sizes.voc_cold_V / array.panels_in_series
        most = int(limit_V / per_panel_V)
        advice = f"at most {most} in series" if most else "this panel does not suit this controller"
        text = (
            f"{array.panels_in_series} in series reach {sizes.voc_cold_V:.1f} V open-circuit at "
            f"{sizes.coldest_C:z.0f} °C{assumed}, above the controller's limit of {limit_V:g} V, which "
            f"destroys it; {advice}"
        )
        yield "error", path, text
    elif sizes.voc_cold_table_V > limit_V:
        text = (
            f"Voc at {sizes.coldest_C:z.0f} °C{assumed} is {sizes.voc_cold_V:.1f} V by the given "
            f"coefficient but {sizes.voc_cold_table_V:.1f} V by the electrical code's table, above the "
            f"limit of {limit_V:g} V; check the coefficient on the panel's sheet"
        )
        yield "warning", path, text


def _vmp(array: Array, controller: Controller, sizes: ArrayAmounts, absorption_V: float) -> Iterator[Finding]:
    path = ("array", "panels_in_series")
    if sizes.vmp_V < absorption_V:
        text = (
            f"{array.panels_in_series} in series give Vmp {sizes.vmp_V:.1f} V, too low to charge this "
            f"bank to {absorption_V:g} V; put more panels in series"
        )
        yield "error", path, text
    elif sizes.vmp_hot_V < absorption_V:
        text = (
            f"Vmp falls to {sizes.vmp_hot_V:.1f} V with the cells at {HOT_CELL_C:.0f} °C, below the "
            f"absorption set point of {absorption_V:g} V: on hot days the bank does not get full"
        )
        yield "warning", path, text
    elif controller.kind == "pwm" and sizes.vmp_V > PWM_HIGHEST_RATIO * absorption_V:
        wasted = 1 - absorption_V / sizes.vmp_V
        text = (
            f"a pwm controller pulls the array from Vmp {sizes.vmp_V:.1f} V down to the bank and wastes "
            f"about {100 * wasted:.0f} %; wire the panels in parallel, or use an mppt controller"
        )
        yield "warning", path, text


def _controller_current(site: Site, figures: Amounts) -> Iterator[Finding]:
    sizes, controller = figures.controller, site.controller
    if sizes is None or controller is None:
        return
    if sizes.current_margin_A < 0 and controller.kind == "pwm":
        text = (
            f"{controller.rating_A:g} A is below the array's short-circuit current x 1.25 = "
            f"{sizes.design_current_A:.1f} A; a pwm controller must carry that"
        )
        yield "error", ("controller", "rating_A"), text
    elif sizes.current_margin_A < 0:
        text = (
            f"{controller.rating_A:g} A is below array watts over bank volts = "
            f"{sizes.design_current_A:.1f} A; the controller clips in full sun, and its maker must allow "
            "such an array"
        )
        yield "warning", ("controller", "rating_A"), text
    yield from _charge_rate(site.bank, sizes)


def _charge_rate(bank: Bank, sizes: ControllerAmounts) -> Iterator[Finding]:
    usual, path = USUAL[bank.chemistry], ("bank", "strings_in_parallel")
    low, high = usual.charge_rate
    what = (
        f"full sun charges with {sizes.charge_current_A:.1f} A, {100 * sizes.charge_rate:.1f} % of the "
        f"20-hour capacity; usual for {usual.words} are {100 * low:.0f} to {100 * high:.0f} % "
        f"({usual.charge_rate_source})"
    )
    if sizes.charge_rate < low:
        yield "warning", path, f"{what}: the array is small for this bank, it fills late"
    elif sizes.charge_rate > high:
        yield "warning", path, f"{what}: limit the current in the controller"


def _string_fuses(site: Site, figures: Amounts) -> Iterator[Finding]:
    if site.array is not None and site.array.strings_in_parallel > 2:
        text = (
            f"{site.array.strings_in_parallel} strings in parallel: each needs its own DC fuse, of the "
            "rating on the panel's plate"
        )
        yield "note", ("array", "strings_in_parallel"), text


def _set_points(site: Site, figures: Amounts) -> Iterator[Finding]:
    if site.controller is not None:
        yield from set_point_findings(site.bank, site.controller)


def _metering(site: Site, figures: Amounts) -> Iterator[Finding]:
    level = site.metering.level
    if site.metering.straight_to_bank and level != "controller":
        sees = "a shunt sees every load" if level == "shunt" else "no load at all is metered there"
        text = f"is for a controller that meters the other loads; with level = {level!r} {sees}: leave it out"
        yield "warning", ("metering", "straight_to_bank"), text


def _tables(site: Site, figures: Amounts) -> Iterator[Finding]:
    if site.array is not None and site.controller is None:
        yield "warning", ("array",), "an array needs a charge controller; describe it under [controller]"
    if site.array is None and site.controller is not None:
        yield "warning", ("controller",), "no array is described; add the panel's plate under [array]"
    if not site.devices:
        yield "note", ("devices",), "no device is described yet: nothing is read; add a table [[devices]]"


def _shared_lines(site: Site, figures: Amounts) -> Iterator[Finding]:
    """Devices on one line must speak alike and each have a unit address of its own."""
    first: dict[Any, int] = {}
    units: dict[Any, str] = {}
    for index, device in enumerate(site.devices):
        serial = device.connection == "serial"
        line = device.port if serial else (device.host, device.tcp_port)
        before = site.devices[first.setdefault(line, index)]
        for key in ("baud", "parity", "stop_bits") if serial else ():
            if getattr(device, key) != getattr(before, key):
                text = (
                    f"{getattr(device, key)} differs from {before.name} on the same port: one line, one "
                    "setting"
                )
                yield "error", ("devices", index, key), text
        other = units.setdefault((line, device.unit), device.name)
        if other != device.name:
            text = (
                f"{device.name} and {other} share unit address {device.unit} on one line; give each its own"
            )
            yield "warning", ("devices", index, "unit"), text


def _page(site: Site, figures: Amounts) -> Iterator[Finding]:
    if site.page.reading_needs_pin:
        text = (
            "the page shows nothing, to people and programs alike, before the PIN is typed; set it with"
            " 'nightbank pin'"
        )
        yield "note", ("page", "reading_needs_pin"), text


RULES: tuple[Callable[[Site, Amounts], Iterator[Finding]], ...] = (
    _bank_units,
    _reserve,
    _set_points,
    _plate,
    _aim,
    _array_voltage,
    _controller_current,
    _string_fuses,
    _metering,
    _tables,
    _shared_lines,
    _page,
    lambda site, figures: computer_findings(site),
    lambda site, figures: load_findings(site),
    lambda site, figures: mirror_findings(site),
    lambda site, figures: server_findings(site),
)
