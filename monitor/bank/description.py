"""What estimator, stage and health need to know of a site: the bank, its charging, its instruments."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.bank.setpoints import SetPoints
from monitor.site.chemistry import capacity_at_20_h
from monitor.site.model import Bank, Chemistry, Controller, Load, Metering, Meters, Site


@dataclass(frozen=True, slots=True)
class BankDescription:
    """A bank as its owner describes it. Voltages are of the whole bank, set points at 25 °C.

    capacity_Ah is the rated capacity at the 20-hour rate. use_A is the mean current of the declared loads
    and the monitor, None where no load is declared; monitor_A the monitor's own share. straight: some
    loads are wired past the controller that meters the others. level is the metering level, None where it
    must be seen from the samples.
    """

    chemistry: Chemistry
    cells: int
    capacity_Ah: float
    set_points: SetPoints
    absorption_h: float
    tail_current_A: float
    disconnect_V: float | None
    meters: Meters
    monitor_A: float
    use_A: float | None
    straight: bool
    level: str | None


def describe_bank(
    bank: Bank,
    controller: Controller | None,
    meters: Meters,
    metering: Metering,
    loads: tuple[Load, ...] = (),
    *,
    level: str | None,
) -> BankDescription:
    """The description from a site file's tables, set points filled in (`site.load.with_defaults`)."""
    absorption_V = controller.absorption_V if controller else None
    if controller is None or absorption_V is None:
        set_points = SetPoints(float("inf"), None, None, 0.0)
    else:
        set_points = SetPoints(
            absorption_V,
            controller.float_V,
            controller.equalization_V,
            controller.temperature_compensation_V_per_C or 0.0,
        )
    capacity_Ah = capacity_at_20_h(bank.chemistry, bank.capacity_Ah, bank.capacity_rate_h) or bank.capacity_Ah
    monitor_A = metering.monitor_power_W / bank.voltage_V
    loads_W = sum(load.power_W * load.count * load.hours_per_day / 24 for load in loads)
    return BankDescription(
        chemistry=bank.chemistry,
        cells=bank.cells_in_series,
        capacity_Ah=capacity_Ah,
        set_points=set_points,
        absorption_h=controller.absorption_h if controller else 0.0,
        tail_current_A=(controller.tail_current_fraction if controller else 0.0) * bank.capacity_Ah,
        disconnect_V=controller.disconnect_V if controller else None,
        meters=meters,
        monitor_A=monitor_A,
        use_A=loads_W / bank.voltage_V + monitor_A if loads else None,
        straight=metering.straight_to_bank,
        level=level,
    )


def describe_site(site: Site) -> BankDescription:
    """The description of a whole site file's bank."""
    return describe_bank(
        site.bank,
        site.controller,
        site.meters,
        site.metering,
        site.loads_at_bank,
        level=site.metering.level,
    )
