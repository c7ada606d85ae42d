"""Every mistake that a system can have, made in its world, and the checks of which one must find it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random

from monitor.site.chemistry import USUAL
from monitor.site.load import with_defaults
from monitor.site.model import Chemistry, Controller
from monitor.site.setpoints import set_point_findings
from tests.checkups.systems import System, rewired


@dataclass(frozen=True, slots=True)
class Mistake:
    """A mistake: the checks of which any is right to name it, those that may be wrong with it, and how it
    is made.

    make gives None where the system cannot have it.
    """

    name: str
    found_by: tuple[str, ...]
    make: Callable[[System, Random], System | None]
    with_it: tuple[str, ...] = ()


def _bank_series(system: System, rng: Random) -> System | None:
    units = system.site.bank.units_in_series
    other = units - 1 if units > 1 and rng.random() < 0.5 else units + 1
    return rewired(system, bank={"units_in_series": other})


def _bank_string(system: System, rng: Random) -> System | None:
    strings = system.site.bank.strings_in_parallel
    return None if strings == 1 else rewired(system, bank={"strings_in_parallel": strings - 1})


def _array_series(system: System, rng: Random) -> System | None:
    array = system.world.array
    panels = array.panels_in_series * array.strings_in_parallel
    others = [n for n in range(1, panels + 1) if panels % n == 0 and n != array.panels_in_series]
    if not others:
        return None
    series = rng.choice(others)
    return rewired(system, array={"panels_in_series": series, "strings_in_parallel": panels // series})


def _panel_missing(system: System, rng: Random) -> System | None:
    array = system.world.array
    if array.strings_in_parallel > 1:
        return rewired(system, array={"strings_in_parallel": array.strings_in_parallel - 1})
    if array.panels_in_series > 1:
        return rewired(system, array={"panels_in_series": array.panels_in_series - 1})
    return None


def _array_open(system: System, rng: Random) -> System | None:
    return rewired(system, wiring={"array_switch": False})


def _battery_open(system: System, rng: Random) -> System | None:
    return rewired(system, wiring={"battery_switch": False})


def _loads_seen_otherwise(system: System, rng: Random) -> System | None:
    if system.site.metering.level == "shunt":
        return None
    loads = tuple(
        replace(load, metered=not load.metered) if load.name == "lamps" else load
        for load in system.world.loads
    )
    return replace(system, world=replace(system.world, loads=loads))


def _shunt(**wiring: object) -> Callable[[System, Random], System | None]:
    def make(system: System, rng: Random) -> System | None:
        return rewired(system, wiring=wiring) if system.site.metering.level == "shunt" else None

    return make


def _probe_missing(system: System, rng: Random) -> System | None:
    return replace(system, world=replace(system.world, probe_missing=True))


def _probe_elsewhere(system: System, rng: Random) -> System | None:
    return rewired(system, wiring={"probe_at": rng.choice(("controller", "air"))})


def _controller(system: System) -> Controller:
    """Every system has one."""
    assert system.site.controller is not None
    return system.site.controller


def _points(controller: Controller) -> dict[str, float]:
    keys = ("absorption_V", "float_V", "disconnect_V", "reconnect_V")
    points = {key: float(getattr(controller, key)) for key in keys}
    points["temperature_compensation_V_per_C"] = float(controller.temperature_compensation_V_per_C or 0.0)
    points["equalization_V"] = float(controller.equalization_V or points["absorption_V"])
    return points


def _points_of(system: System, chemistry: Chemistry) -> dict[str, float]:
    """The usual set points of another chemistry for a bank of this nominal voltage."""
    cells = round(system.site.bank.voltage_V / (3.2 if chemistry == "lifepo4" else 2.0))
    usual = USUAL[chemistry]
    controller = _controller(system).model_copy(
        update={
            "absorption_V": usual.absorption.default_V * cells,
            "float_V": usual.float_charge.default_V * cells,
            "equalization_V": usual.equalization.default_V * cells if usual.equalization else None,
            "disconnect_V": usual.disconnect.default_V * cells,
            "reconnect_V": usual.reconnect.default_V * cells,
            "temperature_compensation_V_per_C": usual.compensation_V_per_C * cells,
        }
    )
    return _points(controller)


def _wrong_chemistry(system: System, rng: Random) -> System | None:
    """Another chemistry in the controller's menu, one whose set points really differ (0.3 V at 12 V)."""
    least_V = 0.3 * system.site.bank.voltage_V / 12
    own = _points(_controller(system))
    others = [_points_of(system, name) for name in USUAL if name != system.site.bank.chemistry]
    differing = [
        points
        for points in others
        if max(abs(points[key] - own[key]) for key in ("absorption_V", "float_V")) >= least_V
    ]
    return rewired(system, controller=rng.choice(differing)) if differing else None


def _wrong_voltage(system: System, rng: Random) -> System | None:
    factor = 2.0 if system.site.bank.voltage_V < 18 else 0.5
    return rewired(
        system, controller={key: value * factor for key, value in _points(_controller(system)).items()}
    )


def _unsuited(system: System, rng: Random) -> System | None:
    """Set points that site file and controller share, and that the chemistry does not bear."""
    by_V = (
        rng.choice((0.14, -0.14))
        * system.site.bank.cells_in_series
        * (1.6 if system.site.bank.chemistry == "lifepo4" else 1)
    )
    points = {
        key: system.world.controller.__getattribute__(key) + by_V for key in ("absorption_V", "float_V")
    }
    controller = _controller(system).model_copy(update=points)
    site = system.site.model_copy(update={"controller": controller})
    if not list(set_point_findings(site.bank, controller)):
        return None
    return rewired(replace(system, site=with_defaults(site)[0]), controller=points)


def _lead_drop(system: System, rng: Random) -> System | None:
    if system.site.metering.level != "shunt":
        return None
    assert system.site.array is not None
    full_A = min(system.site.array.power_W / system.site.bank.voltage_V, _controller(system).rating_A)
    return rewired(
        system, wiring={"bank_lead_ohm": rng.uniform(0.06, 0.09) * system.site.bank.voltage_V / full_A}
    )


def _own_draw(system: System, rng: Random) -> System | None:
    if system.site.metering.level != "shunt":
        return None
    more_W = rng.uniform(8, 15)
    loads = tuple(
        replace(load, power_W=load.power_W + more_W) if load.name == "monitor" else load
        for load in system.world.loads
    )
    return replace(system, world=replace(system.world, loads=loads))


def _clock(system: System, rng: Random) -> System | None:
    return replace(
        system, clock_error_s=rng.choice((-1, 1)) * rng.choice((300.0, 1800.0, 3600.0, 6 * 3600.0))
    )


MISTAKES = (
    Mistake(
        "units in series",
        ("bank_series",),
        _bank_series,
        ("set_points", "chemistry", "devices", "battery_switch"),
    ),
    Mistake("a string of the bank left off", ("bank_parallel",), _bank_string),
    Mistake("panels wired otherwise", ("array_series", "array_path"), _array_series, ("array_parallel",)),
    Mistake("a panel missing", ("array_parallel", "array_series"), _panel_missing),
    Mistake("array open", ("array_path",), _array_open),
    Mistake("battery switch open", ("battery_switch",), _battery_open, ("devices",)),
    Mistake("loads seen otherwise", ("loads",), _loads_seen_otherwise),
    Mistake("shunt reversed", ("shunt_sign",), _shunt(shunt_reversed=True)),
    Mistake("shunt sees charge only", ("shunt_side",), _shunt(shunt_sees="charge")),
    Mistake("shunt sees loads only", ("shunt_side",), _shunt(shunt_sees="loads")),
    Mistake("probe missing", ("probe",), _probe_missing),
    Mistake("probe elsewhere", ("probe",), _probe_elsewhere),
    Mistake("another chemistry set", ("set_points", "chemistry"), _wrong_chemistry),
    Mistake("another voltage set", ("set_points",), _wrong_voltage, ("chemistry",)),
    Mistake("set points unsuited", ("chemistry",), _unsuited),
    Mistake("long leads", ("lead_drop",), _lead_drop),
    Mistake("something else draws", ("own_draw",), _own_draw),
    Mistake("clock wrong", ("clock",), _clock),
)
