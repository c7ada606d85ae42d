"""Whether a controller's set points suit the bank: right bank voltage, usual for the chemistry, in order.

Imports nothing of the project but the rest of `site` and toml_lines.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.site.chemistry import USUAL, SetPoint, Usual
from monitor.site.model import Bank, Controller
from monitor.site.units import advice_from, compensation_slips
from monitor.toml_lines import TomlPath


def set_point_findings(bank: Bank, controller: Controller) -> Iterator[tuple[str, TomlPath, str]]:
    """(severity, path, text) for each set point that contradicts bank, chemistry or another set point."""
    usual = USUAL[bank.chemistry]
    for key, point in _points(usual).items():
        value_V = getattr(controller, key)
        if value_V is not None and not point.usual_V[0] <= value_V / bank.cells_in_series <= point.usual_V[1]:
            yield _unusual(bank, key, value_V, point, usual)
    if controller.equalization_V is not None and usual.equalization is None:
        # a maker's own conditioning charge is known for AGM alone (from memory)
        severity = "warning" if bank.chemistry == "agm" else "error"
        text = f"{usual.words} must not be equalized unless its maker says so; take this line out"
        yield severity, ("controller", "equalization_V"), text
    yield from _order(controller)
    yield from _compensation(bank, controller, usual)


def _points(usual: Usual) -> dict[str, SetPoint]:
    points = {
        "absorption_V": usual.absorption,
        "float_V": usual.float_charge,
        "disconnect_V": usual.disconnect,
        "reconnect_V": usual.reconnect,
    }
    return points if usual.equalization is None else {**points, "equalization_V": usual.equalization}


def _unusual(
    bank: Bank, key: str, value_V: float, point: SetPoint, usual: Usual
) -> tuple[str, TomlPath, str]:
    cells, path = bank.cells_in_series, ("controller", key)
    low, high = point.usual_V
    for other in usual.bank_cells:
        if abs(other - cells) > 2 and low <= value_V / other <= high:
            text = (
                f"{value_V:g} V belongs to a bank of {other} cells in series, this one has {cells} "
                f"({bank.units_in_series} x {bank.unit_voltage_V:g} V); either the series count or the "
                "set point is wrong"
            )
            return "error", path, text
    if key == "disconnect_V" and value_V < low * cells and bank.chemistry != "lifepo4":
        # maker's article: 1.75 V per cell is a common default and too low for life
        text = (
            f"{value_V:g} V is {value_V / cells:.2f} V per cell; below {low:g} V per cell "
            f"({low * cells:.1f} V) the bank ages fast"
        )
        return "warning", path, text
    text = (
        f"{value_V:g} V is {value_V / cells:.3f} V per cell; usual for {usual.words} at 25 °C are "
        f"{low * cells:.1f} to {high * cells:.1f} V ({point.source})"
    )
    return "warning", path, text


def _order(controller: Controller) -> Iterator[tuple[str, TomlPath, str]]:
    for lower, higher in (
        ("disconnect_V", "reconnect_V"),
        ("reconnect_V", "absorption_V"),
        ("float_V", "absorption_V"),
        ("absorption_V", "equalization_V"),
    ):
        low_V, high_V = getattr(controller, lower), getattr(controller, higher)
        if low_V is not None and high_V is not None and low_V >= high_V:
            text = f"{low_V:g} V must be below {higher} = {high_V:g} V"
            yield "error", ("controller", lower), text


def _compensation(bank: Bank, controller: Controller, usual: Usual) -> Iterator[tuple[str, TomlPath, str]]:
    value, cells = controller.temperature_compensation_V_per_C, bank.cells_in_series
    low, high = usual.compensation_usual
    if value is None or low * cells - 1e-9 <= value <= high * cells + 1e-9:
        return
    if low == high:
        text = f"{usual.words} is charged without temperature compensation; write 0"
    else:
        advice = advice_from(compensation_slips(cells), value)
        text = (
            f"{value:g} V per °C is outside the usual {low * cells:.3f} to {high * cells:.3f} for this bank"
            f"{'; ' + advice if advice else ''}"
        )
    yield "warning", ("controller", "temperature_compensation_V_per_C"), text
