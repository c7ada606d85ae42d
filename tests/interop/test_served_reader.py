"""A site on a real server is read back from lines written by hand; its troubles are told in words."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.errors import ServerError, StoreError, Trouble
from monitor.notices.secrets import Secrets
from monitor.served.reader import ServedReader, open_served_reader
from monitor.site.server_table import ServerKeys
from tests.interop.mirror_world import BUCKET, NOON_MS
from tests.interop.series_servers import Gate, Influx, Relay, Victoria
from tests.interop.served_world import ServedSite, volts

SITE = "Marsh 'hide\", no. 2 = ä"
TAG = SITE.replace(",", "\\,").replace(" ", "\\ ").replace("=", "\\=")
VOLTAGE = "battery_voltage_V"


def reader_of(url: str, site: str = SITE, **more: object) -> ServedReader:
    keys = ServerKeys.model_validate({"url": url, "bucket": BUCKET})
    return open_served_reader(keys, site, Secrets(Path("none")), Path(), **more)


def write_record(influx: Influx, kind: str, key: str, document: object) -> None:
    text = json.dumps(document).replace("\\", "\\\\").replace('"', '\\"')
    influx.write(BUCKET, f'nightbank_record,site={TAG},kind={kind},key={key} number=0i,document="{text}" 0')


def write_site(influx: Influx) -> None:
    """Readings every 5 s for an hour, 12.00 to 12.06 V again and again, and what belongs to them."""
    lines = [
        f"nightbank,site={TAG},device=charger {VOLTAGE}={12 + at % 7 / 100},charge_stage={at % 3}i"
        f" {NOON_MS + at * 5000}"
        for at in range(720)
    ]
    influx.write(BUCKET, "\n".join(lines))
    last = [NOON_MS + 719 * 5000, 12.05, 0, ""]
    ends = {"first_ms": NOON_MS, "last": last, "good_first_ms": NOON_MS, "good": last[:2]}
    write_record(influx, "channel", "charger", {VOLTAGE: ends, "charge_stage": ends})
    write_record(influx, "rank", "-", ["charger"])
    write_record(influx, "site", "-", {"name": SITE, "time_zone": "UTC", "file": "", "origin": "mirror"})


def test_a_site_is_read_from_lines_that_somebody_wrote(influx: Influx, gate: Gate) -> None:
    write_site(influx)
    write_record(influx, "note", "basis", 'two\nlines, "quoted" \\ and ä')
    with reader_of(gate.url) as reader:
        assert [(each.quantity, each.value) for each in reader.latest()] == [
            (VOLTAGE, 12.05),
            ("charge_stage", 12.05),
        ]
        assert reader.note("basis") == 'two\nlines, "quoted" \\ and ä'
        assert reader.note("other") is None
        assert reader.span() == (NOON_MS, NOON_MS + 719 * 5000)
        assert reader.site()["origin"] == "mirror"
        series = reader.series(VOLTAGE, NOON_MS, NOON_MS + 3_600_000, 2)
        assert [(b.count, b.minimum, b.maximum) for b in series.buckets] == [(360, 12.0, 12.06)] * 2
        assert series.buckets[0].mean == pytest.approx(
            sum(12 + at % 7 / 100 for at in range(360)) / 360, abs=1e-9
        )
        rows = list(reader.rows([VOLTAGE, "charge_stage"], NOON_MS, NOON_MS + 15_000))
        assert rows == [
            (NOON_MS + at * 5000, {VOLTAGE: 12 + at / 100, "charge_stage": float(at)}) for at in range(3)
        ]


def test_a_site_that_the_server_does_not_know_is_empty_and_said_to_be_unknown(
    influx: Influx, gate: Gate
) -> None:
    write_site(influx)
    with reader_of(gate.url, "Marsh 'hide\"") as reader:
        assert (reader.latest(), reader.span(), reader.alarms()) == ([], None, [])
        with pytest.raises(StoreError, match="knows no site 'Marsh 'hide\"'; start its daemon"):
            reader.site()


def test_an_answer_is_given_again_for_a_moment_where_that_is_wanted(influx: Influx, gate: Gate) -> None:
    write_site(influx)
    with reader_of(gate.url, hold_s=60.0) as held, reader_of(gate.url) as plain:
        write_record(influx, "note", "basis", "former")
        assert [len(each.latest()) for each in (held, plain)] == [2, 2]
        assert [each.note("basis") for each in (held, plain)] == ["former", "former"]
        write_record(influx, "channel", "charger", {})
        write_record(influx, "note", "basis", "new")
        assert [len(each.latest()) for each in (held, plain)] == [2, 0]
        assert [each.note("basis") for each in (held, plain)] == ["former", "new"]


def trouble_of(reader: ServedReader) -> tuple[Trouble, str]:
    with reader, pytest.raises(ServerError) as told:
        reader.latest()
    return told.value.trouble, str(told.value)


def test_what_is_wrong_with_a_server_is_told_in_words(influx: Influx, gate: Gate, tmp_path: Path) -> None:
    trouble, text = trouble_of(reader_of("http://127.0.0.1:1"))
    assert trouble is Trouble.UNREACHABLE
    assert text.startswith("127.0.0.1:1: cannot be reached (no connection); see whether the server runs")
    _, text = trouble_of(reader_of("http://hub.invalid:8086"))  # a name that is never known (RFC 6761)
    assert text.startswith(
        "hub.invalid:8086: no computer of this name is known here; look at the store's url"
    )
    _, text = trouble_of(reader_of(gate.url.replace("http:", "https:")))
    assert text.endswith("it seems to speak http alone: look at how the store's url begins")
    influx.ask(f"DROP DATABASE {BUCKET}")
    trouble, text = trouble_of(reader_of(gate.url))
    assert trouble is Trouble.DENIED
    assert "database not found" in text
    assert "look at the store's bucket" in text
    gate.open_with("return 401;")
    trouble, text = trouble_of(reader_of(gate.url))
    assert trouble is Trouble.DENIED
    assert "look at the store's secret" in text
    gate.open_with("add_header Retry-After 7 always; return 503;")
    with reader_of(gate.url) as reader, pytest.raises(ServerError, match="come back later") as told:
        reader.latest()
    assert (told.value.trouble, told.value.wait_s) == (Trouble.BUSY, 7.0)
    gate.open_with()


def test_a_server_that_hangs_or_breaks_off_is_not_waited_for(influx: Influx, gate: Gate) -> None:
    relay = Relay(gate.port)
    try:
        relay.mode = "hang"
        trouble, text = trouble_of(reader_of(relay.url, timeout_s=0.5))
        assert trouble is Trouble.UNREACHABLE
        assert "no answer within 0.5 s; see whether" in text
        relay.mode = "cut"
        trouble, text = trouble_of(reader_of(relay.url))
        assert trouble is Trouble.UNREACHABLE
        assert "broke off" in text
    finally:
        relay.close()


def test_a_server_without_influxql_is_named_as_one_that_holds_no_store(tmp_path: Path) -> None:
    with Victoria(tmp_path) as server:
        trouble, text = trouble_of(reader_of(server.url))
        with pytest.raises(ServerError, match="so it cannot hold a store"):
            ServedSite(tmp_path / "hide", server.url).writer()
    assert trouble is Trouble.DENIED
    assert "answers no questions in InfluxQL, so it cannot hold a store" in text


def test_with_another_time_zone_the_days_of_all_devices_are_there(
    influx: Influx, gate: Gate, tmp_path: Path
) -> None:
    """influxdb 1.6.7 forgets a device that is deleted and written between another one's deletions."""
    site = ServedSite(tmp_path / "hide", gate.url)
    devices = ("charger", "shunt", "estimate")
    with site.writer() as writer:
        for quantity in (VOLTAGE, "battery_current_A"):
            writer.append(
                replace(volts(at), device=device, quantity=quantity)
                for at in range(0, 200, 10)
                for device in devices
            )
        writer.commit()
    site.file.write_text(site.file.read_text().replace("Europe/London", "Asia/Kathmandu"))
    with site.writer() as writer:
        writer.commit()
    found = influx.ask('SELECT "count" FROM nightbank_day GROUP BY device', db=BUCKET)["series"]
    assert {each["tags"]["device"]: [row[1] for row in each["values"]] for each in found} == {
        device: [20, 20] for device in devices
    }
