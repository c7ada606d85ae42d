"""The named records, each in two meter grades from the same plant run.

    record("hut_flooded_12", "coarse")

A plant's course is kept in the system's temporary folder under a key of its site and of this package's code,
so that only the first call of a name costs time. All drawn at random is drawn by the site's own seed.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from random import Random

from tests.banks import lithium, shepherd, third_order, two_wells
from tests.banks.charger import Charger
from tests.banks.consumption import Use
from tests.banks.lithium import LithiumBank
from tests.banks.model import BankModel
from tests.banks.shepherd import ShepherdBank
from tests.banks.site import Claims, Gap, Grade, Instant, Meters, Record, Site, read, run
from tests.banks.stored import load
from tests.banks.third_order import ThirdOrderBank
from tests.banks.two_wells import TwoWellBank
from tests.banks.weather import Air, MeasuredSky, SeededSky, Sky

MONITOR = Use(2.0, metered=False)


def lamps(power_W: float, from_h: float = 17.5, to_h: float = 22.5, *, metered: bool = True) -> Use:
    """Evening lamps."""
    return Use(power_W, from_h, to_h, 0.7, metered=metered)


def fridge(power_W: float, duty: float, *, metered: bool = True) -> Use:
    """A compressor fridge."""
    return Use(power_W, cycle_min=38, duty=duty, metered=metered)


def party(power_W: float, *, metered: bool = True) -> Use:
    """The evening with everything on."""
    return Use(power_W, 18.0, 25.0, 1.0, "weekend", metered=metered)


def seeded(
    name: str, start_day: int, latitude_deg: float, fair: float, air: Air, days: int
) -> Callable[[], Sky]:
    return lambda: SeededSky(name, start_day, latitude_deg, 35.0, fair, air, days)


def measured(name: str, air: Air, days: int, brightness: float = 1.0) -> Callable[[], Sky]:
    return lambda: MeasuredSky(name, air, days, brightness)


def circuit(name: str, capacity_Ah: float, cells: int, soc: float, air_C: float) -> Callable[[], BankModel]:
    return lambda: ThirdOrderBank(third_order.sized(capacity_Ah, Random(name)), cells, soc, air_C)


def generic(name: str, capacity_Ah: float, cells: int, soc: float, air_C: float) -> Callable[[], BankModel]:
    return lambda: ShepherdBank(shepherd.sized(capacity_Ah, Random(name)), cells, soc, air_C)


def wells(
    name: str,
    chemistry: str,
    capacity_Ah: float,
    cells: int,
    soc: float,
    air_C: float,
    *,
    sulfated: bool = False,
) -> Callable[[], BankModel]:
    def build() -> BankModel:
        cell = two_wells.sized(chemistry, capacity_Ah, Random(name), sulfated=sulfated)
        return TwoWellBank(cell, cells, soc, air_C)

    return build


def iron(name: str, capacity_Ah: float, cells: int, soc: float, air_C: float) -> Callable[[], BankModel]:
    return lambda: LithiumBank(lithium.sized(capacity_Ah, Random(name)), cells, soc, air_C)


def pybamm(kind: str, cells: int, parallel: int, soc: float, air_C: float) -> Callable[[], BankModel]:
    """A bank that only `stored.make` builds."""

    def build() -> BankModel:
        from tests.banks.stored.make import PybammBank

        return PybammBank(kind, cells, parallel, soc, air_C)

    return build


flooded = partial(Charger, absorption_V=2.45, float_V=2.22, absorption_h=1.5)
valved = partial(Charger, absorption_V=2.40, float_V=2.26, absorption_h=3.0, compensation_V=-0.004)
iron_cells = partial(
    Charger,
    absorption_V=3.52,
    float_V=3.37,
    absorption_h=1.0,
    compensation_V=0.0,
    tail=0.03,
    disconnect_V=3.0,
    reconnect_V=3.25,
)


def _sites() -> tuple[Site, ...]:
    return (
        Site(
            "hut_flooded_12",
            1,
            30,
            circuit("hut", 198, 6, 0.55, 10),
            seeded("hut", 70, 52, 0.6, Air(10, 4), 30),
            flooded(190, 20, tail=0.02),
            (lamps(45), fridge(40, 0.25), MONITOR),
            Claims("flooded", 6, 2, 225),
            Meters("controller", 1.003, 0.993, 0.04),
            (Gap(6.4, 5), Gap(14.2, 9, lost=True)),
        ),
        Site(
            "barn_agm_24_cold",
            2,
            28,
            wells("barn", "agm", 172, 12, 0.6, 0, sulfated=True),
            seeded("barn", 20, 47, 0.6, Air(0, 4, -5), 28),
            # the trap: cold, no compensation, a short absorption: float at about two thirds of true charge
            Charger(620, 26, absorption_V=2.28, float_V=2.23, absorption_h=0.3, compensation_V=0.0),
            (lamps(70, 16.5, 22), fridge(45, 0.2), MONITOR),
            Claims("agm", 12, 2, 200, compensation_V=-0.004),
            Meters("shunt", 0.997, 1.008, -0.03, 1.0),
            (Gap(9.0, 14),),
        ),
        Site(
            "cabin_gel_12",
            3,
            20,
            wells("cabin", "gel", 104, 6, 0.85, 15),
            seeded("cabin", 100, 45, 0.7, Air(15, 5), 20),
            valved(120, 15),
            (lamps(14), MONITOR),
            Claims("gel", 12, 1, 110),
            Meters("shunt", 1.004, 0.991, 0.05, temperature=False, charge=False, array=False),
            (Gap(11.3, 2, lost=True),),
        ),
        Site(
            "boat_agm_12",
            4,
            15,
            generic("boat", 80, 6, 0.4, 20),
            seeded("boat", 150, 43, 0.8, Air(21, 4), 15),
            valved(170, 20, tail=0.01),
            (fridge(45, 0.42), lamps(18, 20, 24), MONITOR),
            Claims("agm", 12, 1, 95),
            Meters("controller", 0.996, 1.01, -0.05),
            (Gap(7.6, 30),),
        ),
        Site(
            "farm_flooded_48",
            5,
            40,
            circuit("farm", 372, 24, 0.7, 26),
            seeded("farm", 120, 20, 0.75, Air(27, 6), 40),
            flooded(1900, 50, equalization_V=2.58, equalize_every_days=15, tail=0.02),
            (fridge(190, 0.45), lamps(160, 18, 23), Use(500, 9.5, 11.0, 0.5, 0.6), MONITOR),
            Claims("flooded", 6, 8, 450),
            Meters("shunt", 1.002, 0.995, 0.05, -1.0),
            (Gap(18.5, 20), Gap(29.1, 3, lost=True)),
        ),
        Site(
            "van_lithium_12",
            6,
            30,
            iron("van", 94, 4, 0.5, 20),
            seeded("van", 110, 44, 0.65, Air(19, 6), 30),
            iron_cells(190, 20),
            (fridge(48, 0.4), lamps(20, 19, 23.5), party(40), MONITOR),
            Claims("lifepo4", 12.8, 1, 100),
            Meters("shunt", 0.998, 1.007, 0.04),
            (Gap(10.1, 12), Gap(20.0, 1, lost=True)),
        ),
        Site(
            "chalet_lithium_24",
            7,
            25,
            iron("chalet", 170, 8, 0.8, 6),
            seeded("chalet", 40, 47, 0.55, Air(5, 4), 25),
            iron_cells(420, 20),
            (lamps(90), fridge(50, 0.25), MONITOR),
            Claims("lifepo4", 12.8, 2, 200),
            Meters("controller", 1.004, 0.992, -0.03),
            (Gap(8.7, 40),),
        ),
        Site(
            "shed_storage_12",
            8,
            60,
            wells("shed", "flooded", 190, 6, 0.95, 8),
            seeded("shed", 320, 50, 0.0, Air(7, 3, -8), 60),
            flooded(0.0, 10),
            (Use(1.0, metered=False),),
            Claims("flooded", 6, 2, 225),
            Meters("shunt", 0.997, 1.0, -0.045),
            (Gap(21.0, 96),),
        ),
        Site(
            "marsh_winter_24",
            9,
            45,
            wells("marsh", "flooded", 268, 12, 0.75, 4, sulfated=True),
            measured("marsh", Air(4, 3), 45, 0.45),
            flooded(330, 25),
            (lamps(75, 16, 22.5), fridge(45, 0.35), MONITOR),
            Claims("flooded", 6, 4, 300),
            Meters("controller", 1.003, 1.006, 0.05),
            (Gap(13.3, 7), Gap(30.6, 2, lost=True)),
        ),
        Site(
            "lodge_unmetered_12",
            10,
            20,
            generic("lodge", 112, 6, 0.7, 17),
            seeded("lodge", 90, 45, 0.65, Air(16, 5), 20),
            valved(180, 20),
            (lamps(32, metered=False), fridge(42, 0.25, metered=False), MONITOR),
            Claims("agm", 12, 1, 120),
            Meters("charging", 0.998, 0.994, 0.03),
            (Gap(12.2, 3, lost=True),),
        ),
        Site(
            "mill_aged_gel_24",
            11,
            30,
            wells("mill", "gel", 144, 12, 0.6, 12, sulfated=True),
            seeded("mill", 80, 49, 0.65, Air(12, 5), 30),
            valved(330, 25),
            (lamps(80), fridge(55, 0.3), party(60), MONITOR),
            Claims("gel", 12, 2, 180),
            Meters("shunt", 1.0, 0.99, 0.05, 1.5),
            (Gap(5.5, 10), Gap(16.0, 60)),
        ),
        Site(
            "clinic_hot_12",
            12,
            35,
            generic("clinic", 140, 6, 0.6, 32),
            seeded("clinic", 60, 8, 0.75, Air(32, 5), 35),
            flooded(260, 25, kind="pwm"),
            (fridge(60, 0.40), lamps(22, 18.5, 23), MONITOR),
            Claims("flooded", 12, 1, 160),
            Meters("controller", 1.004, 1.0, 0.05, array=False, poll_s=300),
            (Gap(20.2, 15),),
        ),
        Site(
            "studio_parties_12",
            13,
            10,
            circuit("studio", 165, 6, 0.9, 18),
            measured("studio", Air(18, 4), 10),
            valved(240, 25),
            (lamps(30), party(130), fridge(45, 0.25), MONITOR),
            Claims("agm", 12, 1, 180),
            Meters("shunt", 0.999, 1.009, -0.05, poll_s=10),
            (Gap(4.4, 1, lost=True),),
            step_s=10,
        ),
        Site(
            "mast_lithium_48",
            14,
            30,
            iron("mast", 92, 16, 0.7, 14),
            seeded("mast", 300, 48, 0.6, Air(13, 5, -6), 30),
            iron_cells(500, 15),
            (lamps(70, 17, 22, metered=False), Use(22, metered=False), MONITOR),
            Claims("lifepo4", 51.2, 1, 100),
            Meters("charging", 1.003, 1.0, 0.04),
            (Gap(17.5, 6),),
        ),
        Site(
            "school_restarts_24",
            15,
            20,
            circuit("school", 240, 12, 0.5, 22),
            seeded("school", 200, -5, 0.7, Air(23, 4), 20),
            Charger(640, 30, absorption_V=2.40, float_V=2.24, absorption_h=1.0, tail=0.03),
            (Use(90, 8, 15, 0.4, 0.7), lamps(60, 18, 22), MONITOR),
            Claims("flooded", 6, 4, 260),
            Meters("controller", 0.997, 1.008, 0.0),
            tuple(Gap(1.7 + 3.1 * n, 0.5 + 4 * n, lost=n % 2 == 0) for n in range(6)),
        ),
        Site(
            "weir_undercharged_12",
            16,
            50,
            wells("weir", "agm", 92, 6, 0.45, 9),
            measured("weir", Air(8, 4), 50, 0.5),
            Charger(78, 10, absorption_V=2.35, float_V=2.25, absorption_h=1.0, compensation_V=-0.004),
            (lamps(16), Use(3, metered=True), MONITOR),
            Claims("agm", 12, 1, 100),
            Meters("shunt", 1.004, 0.993, -0.04),
            (Gap(22.0, 26),),
        ),
        Site(
            "orchard_pybamm_12",
            17,
            14,
            pybamm("lead", 6, 5, 0.62, 21.7),
            seeded("orchard", 60, 42, 0.65, Air(21.7, 0), 14),
            Charger(95, 10, absorption_V=2.40, float_V=2.26, absorption_h=3.0, compensation_V=-0.004),
            (lamps(28), fridge(35, 0.25), MONITOR),
            Claims("agm", 12, 1, 120),
            Meters("shunt", 1.003, 0.993, 0.04),
            (Gap(5.2, 8), Gap(9.6, 2, lost=True)),
            stored=True,
        ),
        Site(
            "ferry_pybamm_24",
            18,
            14,
            pybamm("iron", 8, 44, 0.35, 25),
            seeded("ferry", 130, 38, 0.6, Air(25, 0), 14),
            iron_cells(380, 20),
            (fridge(60, 0.4), lamps(55, 18, 24), party(80), MONITOR),
            Claims("lifepo4", 12.8, 2, 110),
            Meters("controller", 0.998, 1.006, -0.03),
            (Gap(6.1, 20), Gap(11.0, 1, lost=True)),
            stored=True,
        ),
    )


SITES = {site.name: site for site in _sites()}
NAMES = tuple(SITES)


def record(name: str, grade: Grade) -> Record:
    """A record by name. Raises KeyError for an unknown one."""
    return read(SITES[name], course(SITES[name]), grade)


def course(site: Site) -> list[Instant]:
    """A site's course, from the temporary folder where it has been run before."""
    if site.stored:
        return load(site.name)
    folder = Path(tempfile.gettempdir()) / f"nightbank-banks-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    kept = folder / f"{site.name}-{_key()}.pickle"
    if kept.exists():
        return [Instant(*now) for now in pickle.loads(kept.read_bytes())]
    found = run(site)
    part = kept.with_suffix(f".{os.getpid()}")
    part.write_bytes(pickle.dumps([tuple(now) for now in found]))
    part.replace(kept)
    return found


def _key() -> str:
    """A key of this package's code: any change of it makes all courses anew."""
    digest = hashlib.sha256()
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]
