"""Small sites, each described once: as a site file for the plan, as a scenario for the simulator. Invented.

The loads are such that dark nights come in some winters and not in others.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Lamp:
    """A load: on from from_h to to_h of solar time; metered: on the controller's load output."""

    name: str
    power_W: float
    from_h: float
    to_h: float
    metered: bool


@dataclass(frozen=True, slots=True)
class Described:
    """One site. bank: chemistry, a unit's voltage and capacity, units in series, strings; panels: in series,
    strings; points: absorption, float, disconnect and reconnect voltage."""

    name: str
    latitude_deg: float
    air_C: tuple[float, float]
    bank: tuple[str, float, float, int, int]
    panels: tuple[int, int]
    controller: str
    points: tuple[float, float, float, float]
    reserve_soc: float
    loads: tuple[Lamp, ...]

    def site_file(self) -> str:
        """The site as a person describes it. The simulated controller takes 0.6 W itself."""
        chemistry, unit_V, unit_Ah, series, strings = self.bank
        absorption_V, float_V, disconnect_V, reconnect_V = self.points
        loads = "".join(
            f'[[loads]]\nname = "{lamp.name}"\npower_W = {lamp.power_W}\n'
            f"hours_per_day = {lamp.to_h - lamp.from_h}\n"
            for lamp in self.loads
        )
        level = "controller" if any(lamp.metered for lamp in self.loads) else "charging"
        return f"""[site]
name = "{self.name}"
latitude_deg = {self.latitude_deg}
longitude_deg = 0.0
[bank]
chemistry = "{chemistry}"
unit_voltage_V = {unit_V}
unit_capacity_Ah = {unit_Ah}
units_in_series = {series}
strings_in_parallel = {strings}
reserve_soc = {self.reserve_soc}
[array]
{PANEL}panels_in_series = {self.panels[0]}
strings_in_parallel = {self.panels[1]}
tilt_deg = 50
[controller]
kind = "{self.controller}"
rating_A = 40
array_voltage_limit_V = 100
absorption_V = {absorption_V}
float_V = {float_V}
disconnect_V = {disconnect_V}
reconnect_V = {reconnect_V}
own_power_W = 0.6
[metering]
level = "{level}"
monitor_power_W = 0
{loads}"""

    def scenario(self, constants: str) -> str:
        """The same for the simulator; constants are 'published' or 'drawn'."""
        chemistry, unit_V, unit_Ah, series, strings = self.bank
        absorption_V, float_V, disconnect_V, reconnect_V = self.points
        loads = "".join(
            f'[[loads]]\nname = "{lamp.name}"\npower_W = {lamp.power_W}\n'
            f"metered = {str(lamp.metered).lower()}\nfrom_h = {lamp.from_h}\nto_h = {lamp.to_h}\n"
            for lamp in self.loads
        )
        return f"""name = "{self.name}"
weather = []
[place]
latitude_deg = {self.latitude_deg}
longitude_deg = 0.0
air_mean_C = {self.air_C[0]}
air_season_C = {self.air_C[1]}
[bank]
chemistry = "{chemistry}"
unit_voltage_V = {unit_V}
unit_capacity_Ah = {unit_Ah}
units_in_series = {series}
strings_in_parallel = {strings}
start_soc = 1.0
constants = "{constants}"
[array]
{PANEL}panels_in_series = {self.panels[0]}
strings_in_parallel = {self.panels[1]}
tilt_deg = 50
[controller]
kind = "{self.controller}"
absorption_V = {absorption_V}
float_V = {float_V}
temperature_compensation_V_per_C = {0.0 if chemistry == "lifepo4" else -0.0025 * absorption_V / 1.2:.4f}
disconnect_V = {disconnect_V}
reconnect_V = {reconnect_V}
{loads}"""


PANEL = """panel_power_W = 150
panel_voc_V = 22.3
panel_isc_A = 8.6
panel_vmp_V = 18.2
panel_imp_A = 8.25
"""

SYSTEMS = {
    each.name: each
    for each in (
        Described(
            "marsh",
            52.6,
            (10.5, 6.5),
            ("flooded", 12, 100, 1, 1),
            (1, 1),
            "mppt",
            (14.8, 13.5, 11.4, 12.6),
            0.5,
            (Lamp("mast", 5.0, 0, 24, metered=False),),
        ),
        Described(
            "pond",
            46.0,
            (9.0, 9.5),
            ("flooded", 6, 225, 2, 1),
            (1, 1),
            "pwm",
            (14.8, 13.5, 11.4, 12.6),
            0.5,
            (Lamp("lamps", 16, 17, 22, metered=True), Lamp("radio", 3, 0, 24, metered=True)),
        ),
        Described(
            "tower",
            55.0,
            (8.0, 7.0),
            ("agm", 12, 100, 2, 1),
            (2, 1),
            "mppt",
            (28.6, 27.2, 23.2, 25.2),
            0.4,
            (Lamp("link", 8.0, 0, 24, metered=True),),
        ),
        Described(
            "cabin",
            49.0,
            (9.5, 8.5),
            ("lifepo4", 12.8, 100, 1, 1),
            (1, 1),
            "mppt",
            (14.2, 13.6, 12.0, 13.0),
            0.2,
            (Lamp("lamps", 20, 17, 23, metered=True), Lamp("radio", 2, 0, 24, metered=False)),
        ),
    )
}
