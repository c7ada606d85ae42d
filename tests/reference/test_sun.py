"""What a clear sky gives the array, against published values; each source stands beside its check.

Documents were seen unless 'from memory' stands beside a value; 'computed' is worked out from the named
formula or library by itself. All goes through the almanac's own functions.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from math import cos, exp, pi, radians
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from monitor.sun.almanac import Sky, Sun, clear_sky, clear_steps, on_plane, sun_at
from monitor.sun.climate import air_C
from monitor.sun.day import Clear
from monitor.sun.expected import Supply
from monitor.sun.panel import array_current_A, best_power_W, module_C, open_V, passed_W

HIDE = Supply(
    latitude_deg=47.0,
    longitude_deg=8.0,
    altitude_m=500.0,
    time_zone="UTC",
    tilt_deg=35.0,
    azimuth_deg=180.0,
    panel_power_W=150.0,
    panel_voc_V=22.3,
    panel_isc_A=8.6,
    panel_vmp_V=18.2,
    panel_imp_A=8.25,
    voc_temperature_coefficient_per_C=-0.0030,
    power_temperature_coefficient_per_C=-0.0040,
    panels_in_series=1,
    strings_in_parallel=3,
    controller="mppt",
    rating_A=40.0,
    array_voltage_limit_V=100.0,
    bank_V=12.0,
    absorption_V=14.8,
)
"""Three panels of 150 W in parallel; tests replace what they are about."""


def at(place: tuple[float, float, float], **more: object) -> Supply:
    latitude, longitude, altitude = place
    return replace(HIDE, latitude_deg=latitude, longitude_deg=longitude, altitude_m=altitude, **more)


def moments(*when: datetime) -> pd.DatetimeIndex:
    return pd.DatetimeIndex([moment.astimezone(UTC) for moment in when])


def day_of(supply: Supply, start: datetime) -> tuple[Clear, ...]:
    """The clear steps of 24 hours."""
    start_ms = round(start.timestamp() * 1000)
    return clear_steps(supply, [(start_ms, start_ms + 86_400_000)])[0]


# --- the sun's place ---

NREL_EXAMPLE = moments(datetime(2003, 10, 17, 12, 30, 30, tzinfo=timezone(timedelta(hours=-7))))
NREL_PLACE = (39.742476, -105.1786, 1830.14)


def test_the_sun_stands_where_the_worked_example_of_nrel_puts_it() -> None:
    # NREL/TP-560-34302 (rev. 2008), appendix A.5: zenith 50.11162°, azimuth 194.340241°. The example's
    # 820 mbar and 11 °C bend the light by 0.0002° more than our standard air at that height.
    sun = sun_at(at(NREL_PLACE), NREL_EXAMPLE)
    assert sun.zenith_deg[0] == pytest.approx(50.11162, abs=3e-4)
    assert sun.elevation_deg[0] == pytest.approx(39.888378, abs=3e-4)
    assert sun.azimuth_deg[0] == pytest.approx(194.340241, abs=1e-5)


def test_it_meets_the_examples_surface_under_the_published_angle() -> None:
    # same example: incidence 25.18700° on 30° tilt, 10° east of south; a beam falls by its cosine
    supply = at(NREL_PLACE, tilt_deg=30.0, azimuth_deg=170.0)
    beam_only = Sky(np.array([0.0]), np.array([1000.0]), np.array([0.0]))
    plane = on_plane(supply, NREL_EXAMPLE, sun_at(supply, NREL_EXAMPLE), beam_only)
    assert plane.beam_W_m2[0] == pytest.approx(1000 * cos(radians(25.187)), abs=0.01)
    assert plane.diffuse_W_m2[0] == 0


WEST, EAST = timezone(timedelta(hours=-7)), timezone(timedelta(hours=8))
SECOND, MINUTE = timedelta(seconds=10), timedelta(seconds=60)
RISE_AND_SET = [
    # table of NREL/TP-560-34302, to the second
    (
        35.0,
        0.0,
        datetime(1994, 1, 2, 7, 8, 12, tzinfo=UTC),
        datetime(1994, 1, 2, 16, 59, 55, tzinfo=UTC),
        SECOND,
    ),
    (
        -35.0,
        0.0,
        datetime(1996, 7, 5, 7, 8, 15, tzinfo=UTC),
        datetime(1996, 7, 5, 17, 1, 4, tzinfo=UTC),
        SECOND,
    ),
    (
        -35.0,
        0.0,
        datetime(2004, 12, 4, 4, 38, 57, tzinfo=UTC),
        datetime(2004, 12, 4, 19, 2, 2, tzinfo=UTC),
        SECOND,
    ),
    # US Naval Observatory in pvlib's tests, to the minute
    *(
        (39.0, -105.0, datetime(2015, *rise, tzinfo=WEST), datetime(2015, *fall, tzinfo=WEST), MINUTE)
        for rise, fall in (
            ((1, 2, 7, 19), (1, 2, 16, 49)),
            ((4, 2, 5, 43), (4, 2, 18, 24)),
            ((8, 2, 5, 1), (8, 2, 19, 10)),
            ((12, 2, 7, 1), (12, 2, 16, 38)),
        )
    ),
    *(
        (39.917, 116.383, datetime(2015, *rise, tzinfo=EAST), datetime(2015, *fall, tzinfo=EAST), MINUTE)
        for rise, fall in (
            ((1, 2, 7, 36), (1, 2, 17, 0)),
            ((4, 2, 5, 58), (4, 2, 18, 39)),
            ((8, 2, 5, 13), (8, 2, 19, 28)),
            ((12, 2, 7, 17), (12, 2, 16, 50)),
        )
    ),
]


@pytest.mark.parametrize(("latitude", "longitude", "rise", "fall", "within"), RISE_AND_SET)
def test_the_suns_upper_edge_comes_and_goes_at_the_published_moments(
    latitude: float, longitude: float, rise: datetime, fall: datetime, within: timedelta
) -> None:
    # the sun's radius is 0.267° (same report); light is bent over the horizon only once the edge is there
    times = moments(rise - within, rise + within, fall - within, fall + within)
    sun = sun_at(at((latitude, longitude, 0.0)), times)
    assert [height > -0.3 for height in sun.elevation_deg] == [False, True, True, False]
    assert sun.azimuth_deg[0] < 180 < sun.azimuth_deg[2]


# --- the clear sky ---


def test_the_clear_sky_is_that_of_the_published_example() -> None:
    # pvlib's tests of Ineichen and Perez: zenith 10°, absolute air mass 1, turbidity 3, sea level,
    # E0 1364: 1038.16, 942.21, 110.27. The published E0 stands for the day's; the air mass at 10° and sea
    # level is 1.0153, which takes 0.2 % of the light and adds 0.6 % to the diffuse.
    times = moments(datetime(2024, 6, 21, 12, tzinfo=UTC))
    extra = float(pvlib.irradiance.get_extra_radiation(times).iloc[0])
    high = Sun(np.array([80.0]), np.array([10.0]), np.array([180.0]))
    sky = clear_sky(at((47.0, 8.0, 0.0)), times, high, 3.0)
    found = [float(part[0]) * 1364 / extra for part in sky]
    assert found == pytest.approx([1038.159219, 942.2081860378, 110.2652929361], rel=7e-3)


@pytest.mark.parametrize("zenith_deg", [0.0, 30.0, 60.0, 75.0, 85.0])
@pytest.mark.parametrize("altitude_m", [0.0, 500.0, 1800.0])
@pytest.mark.parametrize("turbidity", [2.0, 3.0, 5.0])
def test_its_global_light_follows_the_published_formula(
    zenith_deg: float, altitude_m: float, turbidity: float
) -> None:
    # Ineichen and Perez 2002, as pvlib's source has it; air mass by Kasten and Young 1989, air pressure by
    # the standard atmosphere, light above the air by Spencer 1971 (from memory)
    times = moments(datetime(2024, 3, 20, 12, tzinfo=UTC))
    angle = 2 * pi * (80 - 1) / 365
    above = 1366.1 * (
        1.00011 + 0.034221 * cos(angle) + 0.00128 * np.sin(angle)
        + 0.000719 * cos(2 * angle) + 0.000077 * np.sin(2 * angle)
    )  # fmt: skip
    cosine = cos(radians(zenith_deg))
    mass = (1 - 2.25577e-5 * altitude_m) ** 5.25588 / (cosine + 0.50572 * (96.07995 - zenith_deg) ** -1.6364)
    near, far = exp(-altitude_m / 8000), exp(-altitude_m / 1250)
    first, second = 5.09e-5 * altitude_m + 0.868, 3.92e-5 * altitude_m + 0.0387
    by_hand = first * above * cosine * exp(-second * mass * (near + far * (turbidity - 1)))
    sun = Sun(np.array([90 - zenith_deg]), np.array([zenith_deg]), np.array([180.0]))
    sky = clear_sky(at((47.0, 8.0, altitude_m)), times, sun, turbidity)
    assert sky.global_W_m2[0] == pytest.approx(by_hand, rel=2e-3)
    assert sky.global_W_m2[0] == pytest.approx(sky.diffuse_W_m2[0] + cosine * sky.direct_W_m2[0], rel=1e-9)


WHOLE_DAYS = [
    # place, day, highest elevation, global and plane 35° south [kWh/m2]: minute sums computed by
    # pvlib 0.16.1, turbidity 3, isotropic sky, albedo 0.2
    ((47.0, 8.0, 500.0), (2024, 6, 21), 66.443, 8.480, 8.036),
    ((47.0, 8.0, 500.0), (2024, 3, 20), 43.155, 4.960, 6.815),
    ((47.0, 8.0, 500.0), (2024, 12, 21), 19.603, 1.400, 3.292),
    ((60.0, 25.0, 0.0), (2024, 6, 21), 53.448, 8.003, 8.304),
    ((60.0, 25.0, 0.0), (2024, 12, 21), 6.689, 0.168, 0.645),
]


@pytest.mark.parametrize(("place", "day", "highest_deg", "level_kWh", "plane_kWh"), WHOLE_DAYS)
def test_whole_clear_days_amount_to_what_pvlib_sums_up_by_itself(
    place: tuple[float, float, float],
    day: tuple[int, int, int],
    highest_deg: float,
    level_kWh: float,
    plane_kWh: float,
) -> None:
    supply, start = at(place), datetime(*day, tzinfo=UTC)
    times = pd.date_range(start + timedelta(seconds=150), periods=288, freq="5min")
    sun = sun_at(supply, times)
    sky = clear_sky(supply, times, sun, 3.0)
    plane = on_plane(supply, times, sun, sky)
    on_panels_kWh = float((plane.beam_W_m2 + plane.diffuse_W_m2).sum()) / 12_000
    assert sun.elevation_deg.max() == pytest.approx(
        highest_deg, abs=0.08
    )  # refraction: 0.05° at 20°, 0.13° at 7°
    assert float(sky.global_W_m2.sum()) / 12_000 == pytest.approx(level_kWh, rel=5e-3)
    # the bright ring around the sun, which an isotropic sky lacks, adds up to a tenth, most to a low sun
    assert plane_kWh < on_panels_kWh < 1.12 * plane_kWh


# --- the module ---


@pytest.mark.parametrize(
    ("light", "air", "wind", "module"),
    [
        (900.0, 20.0, 5.0, 35.203),
        (800.0, 20.0, 1.0, 45.126),
    ],  # Faiman 2008: as in pvlib's tests, and computed
)
def test_the_module_warms_as_in_the_worked_examples(
    light: float, air: float, wind: float, module: float
) -> None:
    assert module_C(np.array([light]), np.array([air]), wind)[0] == pytest.approx(module, abs=2e-3)


@pytest.mark.parametrize(
    ("light", "air", "noct", "module"),
    # NOCT / Ross 1981 (computed): 800/20/45 -> 45.0, 1000/25/45 -> 56.25, 600/5/47 -> 25.25 °C
    [(800.0, 20.0, 45.0, 45.0), (1000.0, 25.0, 45.0, 56.25), (600.0, 5.0, 47.0, 25.25)],
)
def test_without_a_wind_told_it_is_as_warm_as_its_rated_operating_temperature_says(
    light: float, air: float, noct: float, module: float
) -> None:
    assert module_C(np.array([light]), np.array([air]))[0] == pytest.approx(module, abs=1.5), noct


def test_the_power_falls_with_heat_as_in_the_worked_example() -> None:
    # 100 W, -0.4 % a degree, 900 W/m2, 53.125 °C -> 79.875 W (computed)
    panel = replace(HIDE, panel_power_W=100.0, strings_in_parallel=1)
    assert best_power_W(panel, np.array([900.0]), np.array([53.125]))[0] == pytest.approx(79.875)


def test_the_curve_goes_through_the_data_sheets_points() -> None:
    one, full, mild = replace(HIDE, strings_in_parallel=1), np.array([1000.0]), np.array([25.0])
    assert array_current_A(one, 0.0, full, mild)[0] == pytest.approx(8.6)
    assert array_current_A(one, 18.2, full, mild)[0] == pytest.approx(8.25, rel=1e-4)
    assert array_current_A(one, 22.3, full, mild)[0] == pytest.approx(0.0, abs=1e-3)
    assert open_V(one, full, mild)[0] == pytest.approx(22.3)


@pytest.fixture(scope="module")
def measured_modules() -> pd.DataFrame:
    """Modules of 36 cells and 100 to 160 W with fitted parameters: the CEC database that comes with pvlib."""
    every = pvlib.pvsystem.retrieve_sam("CECMod").T
    suits = (every.N_s == 36) & every.STC.astype(float).between(100, 160)
    return every[suits].iloc[:: max(1, int(suits.sum()) // 25)]


@pytest.mark.parametrize("light", [100.0, 400.0, 1000.0])
@pytest.mark.parametrize("cell", [0.0, 25.0, 50.0])
@pytest.mark.parametrize("voltage", [12.0, 13.4, 14.8])
def test_at_a_banks_voltage_the_current_is_that_of_the_full_one_diode_model(
    measured_modules: pd.DataFrame, light: float, cell: float, voltage: float
) -> None:
    # De Soto 2006 with the database's parameters, which ours does not see: only the data-sheet points
    apart = []
    for _, row in measured_modules.iterrows():
        parameters = pvlib.pvsystem.calcparams_cec(
            light, cell, row.alpha_sc, row.a_ref, row.I_L_ref, row.I_o_ref, row.R_sh_ref, row.R_s, row.Adjust
        )
        published_A = max(0.0, float(pvlib.pvsystem.i_from_v(voltage, *parameters)))
        one = replace(
            HIDE,
            strings_in_parallel=1,
            panel_power_W=row.STC,
            panel_voc_V=row.V_oc_ref,
            panel_isc_A=row.I_sc_ref,
            panel_vmp_V=row.V_mp_ref,
            panel_imp_A=row.I_mp_ref,
            voc_temperature_coefficient_per_C=row.beta_oc / row.V_oc_ref,
        )
        ours_A = float(array_current_A(one, voltage, np.array([light]), np.array([cell]))[0])
        apart.append(abs(ours_A - published_A) / (row.I_sc_ref * light / 1000))
    assert len(apart) >= 20
    assert float(np.median(apart)) < 0.04
    assert float(np.quantile(apart, 0.9)) < 0.10


# --- the controller, worked out by hand ---

FULL, MILD = np.array([1000.0]), np.array([25.0])


def test_a_pwm_controller_takes_the_array_at_the_banks_voltage() -> None:
    # the bank charges at (12 + 14.8) / 2 = 13.4 V, far below 18.2 V: there nearly the whole short-circuit
    # current flows, 3 x 8.6 A, and 345.7 W
    found = passed_W(replace(HIDE, controller="pwm"), FULL, MILD)[0]
    assert found == pytest.approx(13.4 * 3 * 8.6, rel=2e-3)
    assert found / 450 == pytest.approx(
        13.4 / 18.2 * 8.6 / 8.25, rel=2e-3
    )  # common practice: a quarter is lost


def test_a_pwm_controller_stops_at_its_rated_current() -> None:
    assert passed_W(replace(HIDE, controller="pwm", rating_A=20.0), FULL, MILD)[0] == pytest.approx(20 * 13.4)


def test_a_converter_passes_the_best_point_up_to_its_rated_current() -> None:
    assert passed_W(HIDE, FULL, MILD)[0] == pytest.approx(450)
    # 20 A into 13.4 V at an efficiency of 0.95 take 282.1 W from the array
    assert passed_W(replace(HIDE, rating_A=20.0), FULL, MILD)[0] == pytest.approx(282.1, abs=0.05)


def test_a_converter_cannot_charge_a_bank_whose_voltage_the_array_does_not_reach() -> None:
    high_bank = replace(HIDE, bank_V=24.0, absorption_V=29.6)
    assert passed_W(high_bank, FULL, MILD)[0] == 0
    # two in series do: 2 x 18.2 V against 26.8 V and the margin
    assert passed_W(replace(high_bank, panels_in_series=2), FULL, MILD)[0] == pytest.approx(900)


def test_a_converter_stops_where_a_cold_morning_lifts_the_array_above_its_limit() -> None:
    # 2 x 22.3 V x (1 + 0.003 x 35) = 49.3 V at -10 °C
    pair = replace(HIDE, panels_in_series=2, array_voltage_limit_V=48.0)
    assert passed_W(pair, FULL, np.array([-10.0]))[0] == 0
    assert passed_W(pair, FULL, MILD)[0] > 0


# --- the air nobody measures ---


@pytest.mark.parametrize("file", ["12839.tm2", "703165TY.csv", "723170TYA.CSV"])
def test_the_rule_for_the_air_is_near_typical_years(file: str) -> None:
    # typical meteorological years that come with pvlib: 26° N, 36° N, 55° N; by day, 8 °C is 3 % of the power
    path = Path(pvlib.__file__).parent / "data" / file
    if file.endswith(".tm2"):
        year, place = pvlib.iotools.read_tmy2(path)
        measured = year["DryBulb"].to_numpy() / 10
    else:
        year, place = pvlib.iotools.read_tmy3(path, map_variables=True)
        measured = year["temp_air"].to_numpy()
    times = year.index.tz_convert("UTC") - pd.Timedelta("30min")  # stamped at the end of each hour
    hours = (times.hour + times.minute / 60 + place["longitude"] / 15).to_numpy()
    rule = air_C(place["latitude"], place["altitude"], times.day_of_year.to_numpy(), hours)
    height = sun_at(at((place["latitude"], place["longitude"], place["altitude"])), times).elevation_deg
    apart = (rule - measured)[height > 10]
    assert float(np.sqrt(np.mean(apart**2))) < 8.0
