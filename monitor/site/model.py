"""The tables of a site file as frozen pydantic models. Field names carry units; see each description."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Chemistry = Literal["flooded", "agm", "gel", "lifepo4"]
Positive = Annotated[float, Field(gt=0)]


class Table(BaseModel):
    """Common to all tables: frozen, and an unknown key is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Place(Table):
    """[site]"""

    name: str = Field(min_length=1, max_length=60)
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    altitude_m: float = Field(default=0, ge=-430, le=6000)
    time_zone: str = "UTC"


class Bank(Table):
    """[bank]"""

    chemistry: Chemistry
    unit_voltage_V: Positive
    unit_capacity_Ah: Positive
    capacity_rate_h: Positive = 20
    units_in_series: int = Field(ge=1)
    strings_in_parallel: int = Field(default=1, ge=1)
    installed: date | None = None
    reserve_soc: float = Field(default=0.5, ge=0, lt=1)

    @property
    def capacity_Ah(self) -> float:
        """Rated capacity: strings in parallel add their Ah, units in series do not."""
        return self.unit_capacity_Ah * self.strings_in_parallel

    @property
    def voltage_V(self) -> float:
        """Nominal voltage: units in series add their volts."""
        return self.unit_voltage_V * self.units_in_series

    @property
    def energy_Wh(self) -> float:
        """Rated energy at nominal voltage."""
        return self.capacity_Ah * self.voltage_V


class Array(Table):
    """[array]; electrical values of one panel at standard test conditions."""

    panel_power_W: Positive
    panel_voc_V: Positive
    panel_isc_A: Positive
    panel_vmp_V: Positive
    panel_imp_A: Positive
    voc_temperature_coefficient_per_C: float = Field(default=-0.0030, ge=-0.01, le=0)
    power_temperature_coefficient_per_C: float = Field(default=-0.0040, ge=-0.01, le=0)
    panels_in_series: int = Field(default=1, ge=1)
    strings_in_parallel: int = Field(default=1, ge=1)
    tilt_deg: float = Field(default=30, ge=0, le=90)
    azimuth_deg: float = Field(default=180, ge=0, lt=360)

    @property
    def power_W(self) -> float:
        return self.panel_power_W * self.panels_in_series * self.strings_in_parallel


class Controller(Table):
    """[controller]; set points at 25 °C for the whole bank."""

    kind: Literal["mppt", "pwm"]
    rating_A: Positive
    array_voltage_limit_V: Positive
    absorption_V: Positive | None = None
    absorption_h: Positive = 2.0
    float_V: Positive | None = None
    equalization_V: Positive | None = None
    temperature_compensation_V_per_C: float | None = Field(default=None, le=0)
    tail_current_fraction: float = Field(default=0.02, gt=0, le=0.2)
    disconnect_V: Positive | None = None
    reconnect_V: Positive | None = None


class Load(Table):
    """[[loads]]; what is fed from one branch."""

    name: str = Field(min_length=1)
    branch: str = "main"
    power_W: Positive
    count: int = Field(default=1, ge=1)
    hours_per_day: float = Field(default=4, gt=0, le=24)


class Metering(Table):
    """[metering]; which current the devices can see."""

    level: Literal["shunt", "controller", "charging"] = "controller"
    monitor_power_W: float = Field(default=2.0, ge=0, le=50)


class Meters(Table):
    """[meters]; step and tolerance of the instruments."""

    voltage_step_V: Positive = 0.01
    current_step_A: Positive = 0.01
    temperature_step_C: Positive = 0.1
    voltage_gain_tolerance: float = Field(default=0.003, ge=0, le=0.1)
    current_gain_tolerance: float = Field(default=0.01, ge=0, le=0.2)
    current_offset_tolerance_A: float = Field(default=0.05, ge=0, le=5)


class DeviceEntry(Table):
    """[[devices]]; one device on one line. Devices with the same port (or host) share the line.

    profile is a shipped profile's name or a path (relative to the site file) of a profile file.
    """

    name: str = Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,30}$")
    profile: str
    connection: Literal["serial", "tcp"]
    port: str | None = None                     # serial: device path, best one under /dev/serial/by-id
    host: str | None = None                     # tcp
    tcp_port: int = Field(default=502, ge=1, le=65535)
    baud: int = Field(default=9600, ge=300, le=921600)
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    unit: int = Field(default=1, ge=1, le=247)  # Modbus unit address
    every_s: float = Field(default=5.0, ge=0.2, le=3600)
    timeout_s: float = Field(default=1.0, ge=0.05, le=30)


class AlarmEntry(Table):
    """[[alarms]]; replaces the shipped rule of the same name or adds one."""

    name: str = Field(min_length=1, max_length=60)
    quantity: str
    condition: Literal["below", "above"]
    set_point: float
    deadband: float = Field(default=0.0, ge=0)
    on_delay_s: float = Field(default=60.0, ge=0)
    off_delay_s: float = Field(default=60.0, ge=0)
    priority: Literal["low", "medium", "high", "urgent"] = "medium"
    enabled: bool = True


class StoreEntry(Table):
    """[store]; path is relative to the site file's folder."""

    path: str = "nightbank.db"
    commit_every_s: float = Field(default=60.0, ge=1, le=3600)


class PageEntry(Table):
    """[page]; where the page is served."""

    host: str = "0.0.0.0"
    port: int = Field(default=8480, ge=1024, le=65535)


class Site(Table):
    """A whole site file. `controller` and `array` may be absent on a bank without sun."""

    site: Place
    bank: Bank
    array: Array | None = None
    controller: Controller | None = None
    loads: tuple[Load, ...] = ()
    metering: Metering = Metering()
    meters: Meters = Meters()
    devices: tuple[DeviceEntry, ...] = ()
    alarms: tuple[AlarmEntry, ...] = ()
    store: StoreEntry = StoreEntry()
    page: PageEntry = PageEntry()
