"""The tables of a site file as frozen pydantic models. Field names carry units.

The limits bound what a small off-grid system of 12 to 48 V can be (our choice): wide enough for any such
system, narrow enough that a value typed in another unit (mA, mV, kW, percent) falls outside. Imports of
the project only quantities and toml_lines; `load.py` turns what pydantic finds into plain words.
"""

from __future__ import annotations

import re
import zoneinfo
from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from monitor.site.alarm_table import AlarmEntry
from monitor.site.channel_tables import ChannelEntry, NoticesEntry
from monitor.site.computer_table import ComputerEntry
from monitor.site.inverter_table import InverterEntry
from monitor.site.mirror_table import SENDING_S, MirrorEntry
from monitor.site.server_table import ServerKeys
from monitor.site.table import Table, told
from monitor.toml_lines import did_you_mean

Chemistry = Literal["flooded", "agm", "gel", "lifepo4"]
Volts = Annotated[float, Field(ge=1, le=120)]
SmallStep = Annotated[float, Field(gt=0, le=2)]

LEAD_ACID_CELL_V = 2.0
LIFEPO4_CELL_V = 3.2
LIFEPO4_ROUND_UNITS = {12.0: 4, 24.0: 8, 36.0: 12, 48.0: 16}
"""Cells of LiFePO4 units sold under a lead-acid bank's round voltage (common practice, no source)."""

HOST_NAME = re.compile(r"(?=.{1,253}$)[A-Za-z0-9_-]{1,63}(\.[A-Za-z0-9_-]{1,63})*")
"""A computer's name as DNS has it (RFC 1035: labels of at most 63, 253 in all; _ is in use, too)."""

LEAST_LOAD_W = 0.01

RESERVED_SOURCES = ("derived", "estimate", "import")
"""What `Reading.device` says where no device is the source; a device may not take these names."""


def _known_time_zone(name: str) -> str:
    try:
        zoneinfo.ZoneInfo(name)
    except (OSError, KeyError, ValueError):  # a folder, an unknown name, a name no zone can have
        known = zoneinfo.available_timezones()
        advice = did_you_mean(name, known)
        if not advice.startswith("did you mean"):  # the list of all six hundred would help nobody
            advice = 'write continent/city, such as "Europe/London", or "UTC"'
        text = f"unknown time zone {name!r}; {advice}"
        raise PydanticCustomError("told", "{text}", {"text": text}) from None
    return name


def _host_name(name: str) -> str:
    if not HOST_NAME.fullmatch(name):
        raise told(f'{name!r} is no name of a computer; write it without http:// and port, like "hut.lan"')
    return name.lower()


HostName = Annotated[str, AfterValidator(_host_name)]


def _free_device_name(name: str) -> str:
    if name in RESERVED_SOURCES:
        text = f"{name!r} is kept for values that no device measured; choose another name"
        raise PydanticCustomError("told", "{text}", {"text": text})
    return name


class Place(Table):
    """[site]; coldest_C is the coldest morning to expect where the panels stand.

    typical_year is a file with a typical meteorological year (EPW, or TMY3 in its CSV form); its path is
    relative to the site file. The load plan goes by it.
    """

    name: str = Field(min_length=1, max_length=60)
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    altitude_m: float = Field(default=0, ge=-430, le=6000)
    time_zone: Annotated[str, AfterValidator(_known_time_zone)] = "UTC"
    coldest_C: float | None = Field(default=None, ge=-70, le=30)
    typical_year: str | None = Field(default=None, min_length=1)

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The time zone itself."""
        return zoneinfo.ZoneInfo(self.time_zone)


class Bank(Table):
    """[bank]; a unit is one battery as bought (a 6 V block, a 12 V block, a 2 V cell)."""

    chemistry: Chemistry
    unit_voltage_V: float = Field(ge=1.2, le=60)
    unit_capacity_Ah: float = Field(ge=0.5, le=5000)
    capacity_rate_h: float = Field(default=20, ge=1, le=240)
    units_in_series: int = Field(ge=1, le=48)
    strings_in_parallel: int = Field(default=1, ge=1, le=48)
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
    def cells_per_unit(self) -> int:
        """Cells inside one unit: 2.0 V each for lead-acid, 3.2 V for LiFePO4 (nominal), at least one."""
        if self.chemistry != "lifepo4":
            return max(1, round(self.unit_voltage_V / LEAD_ACID_CELL_V))
        found = LIFEPO4_ROUND_UNITS.get(self.unit_voltage_V)
        return found or max(1, round(self.unit_voltage_V / LIFEPO4_CELL_V))

    @property
    def cells_in_series(self) -> int:
        """Cells between the bank's poles."""
        return self.cells_per_unit * self.units_in_series

    @property
    def energy_Wh(self) -> float:
        """Rated energy at nominal voltage."""
        return self.capacity_Ah * self.voltage_V


class Array(Table):
    """[array]; electrical values of one panel at standard test conditions."""

    panel_power_W: float = Field(ge=1, le=1000)
    panel_voc_V: Volts
    panel_isc_A: float = Field(ge=0.05, le=30)
    panel_vmp_V: Volts
    panel_imp_A: float = Field(ge=0.05, le=30)
    voc_temperature_coefficient_per_C: float = Field(default=-0.0030, ge=-0.01, le=0)
    power_temperature_coefficient_per_C: float = Field(default=-0.0040, ge=-0.01, le=0)
    panels_in_series: int = Field(default=1, ge=1, le=40)
    strings_in_parallel: int = Field(default=1, ge=1, le=40)
    tilt_deg: float = Field(default=30, ge=0, le=90)
    azimuth_deg: float = Field(default=180, ge=0, lt=360)

    @property
    def power_W(self) -> float:
        """Rated power: panels add their watts, in series as in parallel."""
        return self.panel_power_W * self.panels_in_series * self.strings_in_parallel


class Controller(Table):
    """[controller]; set points at 25 °C for the whole bank.

    own_power_W is what the controller itself takes from the bank, day and night.
    """

    kind: Literal["mppt", "pwm"]
    rating_A: float = Field(ge=0.5, le=500)
    array_voltage_limit_V: float = Field(ge=5, le=1000)
    absorption_V: Volts | None = None
    absorption_h: float = Field(default=2.0, gt=0, le=24)
    float_V: Volts | None = None
    equalization_V: Volts | None = None
    temperature_compensation_V_per_C: float | None = Field(default=None, ge=-0.3, le=0)
    tail_current_fraction: float = Field(default=0.02, gt=0, le=0.2)
    disconnect_V: Volts | None = None
    reconnect_V: Volts | None = None
    own_power_W: float | None = Field(default=None, ge=0, le=20)


class Load(Table):
    """[[loads]]; what is fed from one branch. ac: it hangs behind the inverter, and power_W is what it takes
    there."""

    name: str = Field(min_length=1)
    branch: str = "main"
    power_W: float = Field(ge=LEAST_LOAD_W, le=20000)
    count: int = Field(default=1, ge=1, le=1000)
    hours_per_day: float = Field(default=4, gt=0, le=24)
    ac: bool = False


class Metering(Table):
    """[metering]; which current the devices can see. straight_to_bank: some loads are wired to the
    bank itself, past the controller that meters the others."""

    level: Literal["shunt", "controller", "charging"] = "controller"
    straight_to_bank: bool = False
    monitor_power_W: float = Field(default=2.0, ge=0, le=50)


class Meters(Table):
    """[meters]; step and tolerance of the instruments."""

    voltage_step_V: SmallStep = 0.01
    current_step_A: SmallStep = 0.01
    temperature_step_C: SmallStep = 0.1
    voltage_gain_tolerance: float = Field(default=0.003, ge=0, le=0.1)
    current_gain_tolerance: float = Field(default=0.01, ge=0, le=0.2)
    current_offset_tolerance_A: float = Field(default=0.05, ge=0, le=5)


class DeviceEntry(Table):
    """[[devices]]; one device on one line. Devices with the same port (or host) share the line.

    profile is a shipped profile's name or a path (relative to the site file) of a profile file.
    """

    name: Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]{0,30}$"), AfterValidator(_free_device_name)]
    profile: str
    connection: Literal["serial", "tcp"]
    port: str | None = None  # serial: device path, best one under /dev/serial/by-id
    host: str | None = None  # tcp
    tcp_port: int = Field(default=502, ge=1, le=65535)
    baud: int = Field(default=9600, ge=300, le=921600)
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    unit: int = Field(default=1, ge=1, le=247)  # Modbus unit address
    every_s: float = Field(default=5.0, ge=0.2, le=3600)
    timeout_s: float = Field(default=1.0, ge=0.05, le=30)


class StoreEntry(Table):
    """[store]; path is relative to the site file's folder.

    With a table [store.server] a time-series server keeps the readings; what waits for it, and the page's
    PIN, then lie beside path.
    """

    path: str = "nightbank.db"
    commit_every_s: float = Field(default=60.0, ge=1, le=3600)
    server: ServerKeys | None = None


class PageEntry(Table):
    """[page]; where the page is served.

    names are further names by which phones ask for it, such as one that a router gives. reading_needs_pin:
    nothing is shown before the PIN was typed (`nightbank pin`), to people and programs alike.
    """

    host: str = "0.0.0.0"
    port: int = Field(default=8480, ge=1024, le=65535)
    names: Annotated[tuple[HostName, ...], Field(strict=False)] = ()
    reading_needs_pin: bool = False


class Site(Table):
    """A whole site file. `controller` and `array` may be absent on a bank without sun."""

    site: Place
    bank: Bank
    array: Array | None = None
    controller: Controller | None = None
    inverter: InverterEntry | None = None
    loads: Annotated[tuple[Load, ...], Field(strict=False)] = ()
    metering: Metering = Metering()
    meters: Meters = Meters()
    computer: ComputerEntry = ComputerEntry()
    devices: Annotated[tuple[DeviceEntry, ...], Field(strict=False)] = ()
    alarms: Annotated[tuple[AlarmEntry, ...], Field(strict=False)] = ()
    notices: NoticesEntry = NoticesEntry()
    channels: Annotated[tuple[ChannelEntry, ...], Field(strict=False)] = ()
    mirrors: Annotated[tuple[MirrorEntry, ...], Field(strict=False)] = ()
    store: StoreEntry = StoreEntry()
    page: PageEntry = PageEntry()

    @property
    def copy_lag_s(self) -> float:
        """How late a copy of this site's store may be, from its mirrors that send all that one needs."""
        every_s = [mirror.every_s for mirror in self.mirrors if "records" in mirror.send]
        return max(every_s, default=0.0) + SENDING_S

    @property
    def works_at_V(self) -> float:
        """The highest voltage at work: the bank's nominal one or the array's in full sun."""
        array = self.array
        return max(self.bank.voltage_V, array.panel_vmp_V * array.panels_in_series if array else 0.0)

    @property
    def loads_at_bank(self) -> tuple[Load, ...]:
        """The loads as the bank sees them: those behind the inverter with its losses, and what it takes
        itself."""
        if self.inverter is None:
            return self.loads
        share, standby_W = self.inverter.efficiency, self.inverter.standby_W
        seen = [
            load.model_copy(update={"power_W": load.power_W / share}) if load.ac else load
            for load in self.loads
        ]
        if standby_W >= LEAST_LOAD_W:
            branch = next((load.branch for load in self.loads if load.ac), "main")
            hours = self.inverter.hours_per_day
            seen.append(Load(name="inverter", branch=branch, power_W=standby_W, hours_per_day=hours))
        return tuple(seen)

    @property
    def supply_ends_V(self) -> float | None:
        """The bank's voltage at which this computer loses its supply, None where nothing tells it."""
        disconnect_V = None if self.controller is None else self.controller.disconnect_V
        return self.computer.supply_ends_V or disconnect_V

    def slowest_every_s(self, device: DeviceEntry) -> float:
        """The longest period in which a device may be polled: its own, or that of the low-power manners."""
        return max(device.every_s, self.computer.slowest_s)
