"""Devices that carry the SunSpec marker give readings without a profile of their own.

The simulator packs its map by hand; other maps are packed by the Alliance's library.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sunspec2 import device as alliance

from monitor.clock import SteppedClock
from monitor.devices.device import Device, build_lines
from monitor.devices.profile_file import SHIPPED, load_profile
from monitor.errors import BadFrame, NotSunSpec, ProfileError
from monitor.quantities import Fault
from monitor.records import Quality, Reading
from monitor.site.model import Bank, DeviceEntry, Place, Site
from tests.unit.far_ends import Manners, Registers, TcpFarEnd

NOW_MS = 1_795_600_000_000
SUNSPEC = '[charger]\nmap = "sunspec"\n'


def device_at(**entry: Any) -> Device:
    site = Site(
        site=Place(name="Bench", latitude_deg=52.6, longitude_deg=1.5),
        bank=Bank(chemistry="flooded", unit_voltage_V=6, unit_capacity_Ah=225, units_in_series=2),
        devices=(DeviceEntry(**({"name": "charger", "profile": "sunspec", "connection": "tcp"} | entry)),),
    )
    (line,) = build_lines(site, Path(), SteppedClock(NOW_MS))
    (device,) = line.devices
    return device


def values_of(readings: list[Reading]) -> dict[str, float | None]:
    return {reading.quantity: reading.value for reading in readings}


def test_the_simulated_device_is_read_over_serial_line_and_network(start_simulator) -> None:
    """Against the plant's truth, to the meters' steps; the second input, not connected, adds nothing."""
    simulator = start_simulator(scenario=SUNSPEC, start="2026-06-21T11:00:00Z")
    serial = device_at(connection="serial", port=simulator.charger["serial"])
    network = device_at(host="127.0.0.1", tcp_port=simulator.charger["tcp"][1])
    assert serial.quantities == ()  # nobody has asked it yet
    for moment, sign in (("2026-06-21T11:30:00Z", 1), ("2026-06-21T23:30:00Z", -1)):
        simulator.advance_to(moment)
        truth = simulator.truth()
        for device in (serial, network):
            found = values_of(device.poll())
            assert found["battery_voltage_V"] == pytest.approx(truth["battery_voltage_V"], abs=0.02)
            assert found["battery_current_A"] == pytest.approx(truth["battery_current_A"], abs=0.2)
            assert found["battery_current_A"] * sign > 0  # into the bank is positive
            assert found["array_voltage_V"] == pytest.approx(truth["array_voltage_V"], abs=0.02)
            assert found["array_current_A"] == pytest.approx(truth["array_current_A"], abs=0.2)
            assert found["controller_temperature_C"] == pytest.approx(
                truth["controller_temperature_C"], abs=1
            )
            assert found["fault_bits"] == 0
            assert set(found) == set(device.quantities)
    serial.close()
    network.close()
    lines = simulator.tell("truth")["lines"]["charger"]
    assert set(lines["functions"]) == {"3"}


@pytest.fixture
def carry() -> Iterator[Any]:
    """carry(model, ..., base=40000, ...) -> a far end on a socket with these models' words in a chain."""
    served: list[TcpFarEnd] = []

    def start(*models: list[int], base: int = 40000, manners: Manners | None = None) -> TcpFarEnd:
        far_end = TcpFarEnd({1: chain(*models, base=base)}, manners=manners)
        served.append(far_end)
        return far_end

    yield start
    for far_end in served:
        far_end.close()


def chain(*models: list[int], base: int = 40000) -> Registers:
    words = [0x5375, 0x6E53, *packed(1, Mn="Bench", Md="Box", SN="7")]
    for model in models:
        words += model
    return {(3, base + at): word for at, word in enumerate([*words, 0xFFFF, 0])}


def packed(number: int, **points: Any) -> list[int]:
    """A model's words as the Alliance's library packs them; what is not named is not implemented."""
    data = alliance.Model(number, data={"ID": number, "L": 0} | points).get_mb()
    words = list(struct.unpack(f">{len(data) // 2}H", data))
    return [number, len(words) - 2, *words[2:]]


def read(far_end: TcpFarEnd, **entry: Any) -> tuple[dict[str, float | None], Device]:
    device = device_at(host="127.0.0.1", tcp_port=far_end.port, timeout_s=0.5, **entry)
    readings = device.poll()
    assert {reading.quality for reading in readings} <= {Quality.GOOD}
    return values_of(readings), device


@pytest.mark.parametrize("base", [40000, 50000, 0])
def test_the_marker_may_stand_at_each_of_the_standard_s_places(carry, base: int) -> None:
    found, device = read(carry(packed(802, V=1264, V_SF=-2, A=-231, A_SF=-2), base=base))
    assert found == {"battery_voltage_V": 12.64, "battery_current_A": 2.31}
    device.close()


@pytest.mark.parametrize(
    ("amps", "status", "expected"),
    [(-231, 4, 2.31), (231, 4, 2.31), (231, 3, -2.31), (-231, 3, -2.31), (231, 6, -2.31), (231, None, -2.31)],
)
def test_the_charge_status_gives_the_current_its_sign(
    carry, amps: int, status: int | None, expected: float
) -> None:
    """Status 3 is discharging, 4 charging (SunSpec Alliance, model files). Without it positive is out of the
    bank (our choice)."""
    more = {} if status is None else {"ChaSt": status}
    found, device = read(carry(packed(802, V=1264, V_SF=-2, A=amps, A_SF=-2, **more)))
    assert found["battery_current_A"] == expected
    device.close()


def test_inputs_are_summed_and_a_voltage_is_given_only_where_they_share_one(carry) -> None:
    def inputs(first_V: int, second_V: int) -> list[int]:
        return packed(
            160, DCA_SF=-2, DCV_SF=-1, DCW_SF=0, N=2,
            module=[{"DCA": 500, "DCV": first_V, "DCW": 90}, {"DCA": 300, "DCV": second_V, "DCW": 55}],
        )  # fmt: skip

    found, device = read(carry(inputs(181, 183)))
    assert found == {"array_voltage_V": 18.2, "array_current_A": 8.0, "array_power_W": 145.0}
    device.close()
    apart = device_at(host="127.0.0.1", tcp_port=carry(inputs(181, 362)).port)
    assert values_of(apart.poll()) == {"array_current_A": 8.0, "array_power_W": 145.0}
    apart.close()


def test_an_inverter_on_the_bank_is_a_load_but_beside_an_array_s_inputs_it_is_not(carry) -> None:
    inverter = packed(103, DCA=452, DCA_SF=-2, DCV=1253, DCV_SF=-2, DCW=566, DCW_SF=-1, W=51, W_SF=0)
    found, device = read(carry(inverter))
    assert found == {"battery_voltage_V": 12.53, "load_current_A": 4.52, "load_power_W": 56.6}
    device.close()
    inputs = packed(160, DCA_SF=0, DCV_SF=0, N=1, module=[{"DCA": 4, "DCV": 30}])
    found, device = read(carry(inverter, inputs))
    assert found == {"array_voltage_V": 30, "array_current_A": 4}
    device.close()


def test_floats_modules_string_boxes_and_ports_tell_of_the_array(carry) -> None:
    module = packed(501, InA=4.5, InV=30.25, InW=136.125, Stat=1)
    found, device = read(carry(module))
    assert found == {"array_voltage_V": 30.25, "array_current_A": 4.5, "array_power_W": 136.125}
    device.close()
    found, device = read(carry(module, module))  # nobody says how the two are joined
    assert found == {"array_power_W": 272.25}
    device.close()
    found, device = read(carry(packed(403, DCA_SF=-1, DCV_SF=-1, DCA=123, DCV=482, N=0, DCAMax=200)))
    assert found == {"array_voltage_V": 48.2, "array_current_A": 12.3}
    device.close()
    ports = [
        {"PrtTyp": 0, "DCA": 50, "DCV": 300, "DCW": 150},
        {"PrtTyp": 1, "DCA": -110, "DCV": 131, "DCW": -144},
    ]
    found, device = read(carry(packed(714, NPrt=2, DCA_SF=-1, DCV_SF=-1, DCW_SF=0, Prt=ports)))
    assert found == {
        "array_voltage_V": 30,
        "array_current_A": 5,
        "array_power_W": 150,
        "battery_voltage_V": 13.1,
    }
    device.close()


def test_faults_of_all_models_are_told_together(carry) -> None:
    """Bits: 160 Evt 1 input over voltage; 802 Evt1 1 over temperature, 22 ground fault (model files)."""
    inputs = packed(160, DCA_SF=0, DCV_SF=0, N=1, Evt=1 << 1, module=[{"DCA": 4, "DCV": 30}])
    found, device = read(carry(inputs, packed(802, V=1264, V_SF=-2, Evt1=1 << 1 | 1 << 22)))
    assert Fault(int(found["fault_bits"])) == (
        Fault.ARRAY_OVER_VOLTAGE | Fault.BATTERY_OVER_TEMPERATURE | Fault.OTHER
    )
    device.close()


def test_what_falls_out_later_is_missing_and_what_was_never_there_is_not_mentioned(carry) -> None:
    far_end = carry(packed(802, V=1264, V_SF=-2, A=100, A_SF=-2))
    found, device = read(far_end)
    assert set(found) == {"battery_voltage_V", "battery_current_A"}
    far_end.units[1] = chain(packed(802, V=1250, V_SF=-2, A_SF=-2))
    later = {reading.quantity: reading for reading in device.poll()}
    assert later["battery_voltage_V"].value == 12.5
    assert (later["battery_current_A"].quality, later["battery_current_A"].reason) == (
        Quality.MISSING,
        "the device says not available",
    )
    device.close()


def test_a_poll_asks_only_for_what_is_wanted(carry) -> None:
    """After the chain is known: header and values of one model, in one request."""
    far_end = carry(packed(307, TmpAmb=1), packed(802, V=1264, V_SF=-2, A=100, A_SF=-2))
    _, device = read(far_end)
    before = len(far_end.requests)
    device.poll()
    assert len(far_end.requests) - before == 1
    device.close()


def test_a_map_that_has_changed_is_read_anew(carry) -> None:
    """A device exchanged or with a new program: nothing of the old places is believed."""
    far_end = carry(packed(802, V=1264, V_SF=-2, A=100, A_SF=-2))
    _, device = read(far_end)
    far_end.units[1] = chain(packed(103, DCV=1200, DCV_SF=-2), packed(802, V=1270, V_SF=-2, A=90, A_SF=-2))
    with pytest.raises(BadFrame, match="another SunSpec map"):
        device.poll()
    assert values_of(device.poll())["battery_voltage_V"] == 12.7
    device.close()


def test_a_device_with_a_small_limit_is_read_in_parts(carry) -> None:
    far_end = carry(packed(802, V=1264, V_SF=-2, A=100, A_SF=-2), manners=Manners(largest=24))
    found, device = read(far_end)
    assert found["battery_voltage_V"] == 12.64
    device.close()


def test_a_device_without_marker_and_one_without_useful_models_are_told(carry) -> None:
    far_end = TcpFarEnd({1: {(3, 40000): 1, (3, 40001): 2}})
    bare = device_at(host="127.0.0.1", tcp_port=far_end.port)
    with pytest.raises(NotSunSpec, match="carries no SunSpec marker at register 40000, 0, 50000"):
        bare.poll()
    bare.close()
    far_end.close()
    useless = device_at(host="127.0.0.1", tcp_port=carry(packed(307, TmpAmb=1)).port)
    assert useless.poll() == []
    assert "None of its SunSpec models says anything" in useless.health.remark
    assert "307 (Base Met)" in useless.health.remark
    useless.close()


# Profiles of one's own


OWN = """
protocol = "sunspec"
about = "An AC meter behind the inverter"
source = "SunSpec Alliance model files"

[[points]]
quantity = "load_power_W"
models = [201, 202, 203, 204]
point = "W"
unit = "W"
"""


def test_a_profile_of_one_s_own_says_what_else_stands_for_a_quantity(carry, tmp_path: Path) -> None:
    (tmp_path / "meter.toml").write_text(OWN)
    meter = packed(201, W=423, W_SF=-1, A=1, A_SF=0, V_SF=0, Hz=50, TotWhImp=1, TotWh_SF=0)
    found, device = read(carry(meter), profile=str(tmp_path / "meter.toml"))
    assert found == {"load_power_W": 42.3}
    device.close()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('point = "W"', 'point = "Watts"', "line 9: points[0].point: model 201 has no point 'Watts'"),
        ("[201, 202, 203, 204]", "[201, 999]", "line 8: points[0].models: model 999 is not known here"),
        ('unit = "W"', 'unit = "V"', "line 10: points[0].unit: load_power_W cannot be read in 'V'"),
        ('point = "W"', 'point = "W"\nonly_where = { Typ = [1] }', "only_where: model 201 has no point"),
        ('point = "W"', 'point = "W"\nsign_by = { Evt = { x = "into" } }', "points[0].sign_by: 'x'"),
        ('point = "W"', 'point = "W"\nadress = 3', "points[0].adress: unknown key"),
    ],
)  # fmt: skip
def test_faults_of_such_a_profile_are_told_with_key_and_line(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    (tmp_path / "meter.toml").write_text(OWN.replace(old, new))
    with pytest.raises(ProfileError) as refused:
        load_profile(tmp_path / "meter.toml")
    assert told in str(refused.value)


def test_the_shipped_profile_names_only_points_that_the_models_have() -> None:
    assert load_profile(SHIPPED / "sunspec.toml").quantities[:2] == ("array_voltage_V", "array_current_A")
