"""A server that is broken, or means ill: whatever it answers is told in words, ends neither page nor daemon,
and costs no reading. influxdb is real; the answers are twisted on their way. What is twisted is drawn anew in
every run; the seed is printed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import date
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboard.many.app import make_sites_app
from dashboard.many.serve import asker_of
from monitor.errors import NightbankError, ServerError, Trouble
from monitor.records import AlarmState, DeviceHealth, Event, LogEntry, Notice, Request, Transition
from monitor.served import query
from monitor.served.many import Sites
from monitor.served.reader import ServedReader
from monitor.site.load import load_site
from monitor.site.sites_file import load_sites
from monitor.stores import leave_request
from tests.interop.mirror_world import BUCKET, NOON_MS
from tests.interop.series_servers import Gate, Influx
from tests.interop.served_world import VOLTAGE, ServedSite, crash, volts
from tests.interop.sites_world import a_site, described, low_voltage
from tests.interop.twisted import OTHER, Twisted

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
DAYS = date(2026, 11, 20), date(2026, 11, 30)
HOWS = (*OTHER, "cut")
HERE = "http://127.0.0.1:8481"


@pytest.fixture
def rng(seed: int) -> random.Random:
    return random.Random(seed)


@pytest.fixture
def server(gate: Gate, rng: random.Random) -> Iterator[Twisted]:
    twisted = Twisted(gate.url, rng)
    yield twisted
    twisted.close()


def filled(folder: Path, url: str) -> ServedSite:
    """A site with something of everything that a store holds."""
    site = ServedSite(folder, url)
    with site.writer() as writer:
        writer.rank_devices(["charger"])
        writer.append(volts(60 * at, 12 + at % 7 / 10) for at in range(200))
        writer.put_alarm(AlarmState("Low voltage", "normal", NOON_MS, "high", 12.0, "text"))
        writer.add_transition(Transition(NOON_MS, "Low voltage", "a", "b", "c", "high", "text", {"v": 1.0}))
        writer.put_health(DeviceHealth("charger", "p", "answering", NOON_MS, NOON_MS, 85.0, 7, {"silent": 1}))
        writer.add_event(Event(NOON_MS, "kind", "subject", "text"))
        writer.add_log_entry(LogEntry(NOON_MS, "note", "text", {"soc": 0.5}))
        writer.add_notice(Notice(NOON_MS, "alarm", "a", "high", "phone", "t", "t", "due", NOON_MS))
        writer.put_note("basis", "text")
        writer.commit()
    leave_request(load_site(site.file), site.file, Request(NOON_MS, "acknowledge", "Low voltage"))
    return site


def asked(reader: ServedReader) -> dict[str, Callable[[], object]]:
    """Everything that a store is asked for."""
    end_ms = NOON_MS + 4 * HOUR_MS
    return {
        "latest": reader.latest,
        "latest_good": lambda: reader.latest_good(VOLTAGE),
        "an hour": lambda: reader.series(VOLTAGE, NOON_MS, NOON_MS + HOUR_MS, 60),
        "a week": lambda: reader.series(VOLTAGE, end_ms - 7 * DAY_MS, end_ms, 100),
        "a year": lambda: reader.series(VOLTAGE, end_ms - 365 * DAY_MS, end_ms, 100),
        "days": lambda: reader.days(*DAYS),
        "rows": lambda: list(reader.rows([VOLTAGE], NOON_MS, end_ms)),
        "means": lambda: list(reader.rows([VOLTAGE], NOON_MS, end_ms, 600.0)),
        "readings": lambda: list(reader.readings(NOON_MS, end_ms)),
        "flawed": lambda: reader.flawed(VOLTAGE, NOON_MS, end_ms),
        "span": reader.span,
        "events": lambda: reader.events(0, end_ms),
        "alarms": reader.alarms,
        "transitions": lambda: reader.transitions(0, end_ms),
        "log": lambda: reader.log(0, end_ms),
        "log_entry": lambda: reader.log_entry(1),
        "open_requests": reader.open_requests,
        "open_notices": reader.open_notices,
        "notices": reader.notices,
        "health": reader.health,
        "note": lambda: reader.note("basis"),
        "site": reader.site,
        "lag": lambda: reader.lag_s,
    }


def test_whatever_a_server_answers_a_reader_tells_it_in_words(
    server: Twisted, rng: random.Random, tmp_path: Path
) -> None:
    site = filled(tmp_path / "hide", server.url)
    with site.reader(server.url) as reader:
        for name, ask in asked(reader).items():
            server.how = "real"
            assert ask() or name in ("flawed", "lag"), name
            for how in HOWS if name == "latest" else rng.sample(HOWS, 3):
                server.how = how
                with pytest.raises(ServerError) as told:
                    ask()
                assert str(told.value).startswith("127.0.0.1:"), (name, how)
            for how in ("twisted",) * 6 + ("torn",):
                server.how = how
                with suppress(NightbankError):  # what is twisted may still be an answer
                    ask()


def test_an_answer_without_an_end_is_not_taken_in(
    server: Twisted, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = filled(tmp_path / "hide", server.url)
    monkeypatch.setattr(query, "MOST_BYTES", 50_000)  # so that the test needs not send as much as that
    server.how = "a deep list"
    with site.reader(server.url) as reader, pytest.raises(ServerError, match="without an end") as told:
        reader.latest()
    assert told.value.trouble is Trouble.DENIED


def test_nothing_that_a_server_answers_ends_the_daemon_or_costs_a_reading(
    server: Twisted, influx: Influx, rng: random.Random, tmp_path: Path
) -> None:
    site, writer, at = ServedSite(tmp_path / "hide", server.url), None, 0
    sent: dict[int, float] = {}
    for _ in range(30):
        server.how = "real" if rng.random() < 0.4 else rng.choice((*HOWS, "torn", "torn", "torn"))
        if writer is None:
            with suppress(ServerError):  # told at the first start, when nothing is known yet
                writer = site.writer(timeout_s=2.0)
        if writer is None:
            continue
        coming = [
            volts(at := at + rng.choice((5, 5, 5, 4000)), rng.randrange(1100, 1500) / 100) for _ in "123"
        ]
        sent |= {each.time_ms: each.value or 0.0 for each in coming}
        writer.append(coming)
        writer.add_event(Event(NOON_MS + at * 1000, "kind", "", f"{at}"))
        writer.put_note("basis", f"{at}")
        writer.commit()
        site.clock.skip(rng.choice((1, 400, 2000)))
        writer.open_requests()
        writer.note("day/2026-11-24")
        with suppress(ServerError):
            writer.events(0, 2**50)
        if rng.random() < 0.15:
            crash(writer)
            writer = None
    server.how = "real"
    site.clock.skip(4000)
    with writer or site.writer() as writer:
        for _ in range(20):
            site.clock.skip(4000)
            writer.commit()
    series = influx.ask(f'SELECT "{VOLTAGE}" FROM nightbank', db=BUCKET)["series"][0]
    assert dict(series["values"]) == sent
    events = influx.ask("SELECT number FROM nightbank_record WHERE kind = 'event'", db=BUCKET)["series"][0]
    numbers = [number for _, number in events["values"]]
    assert len(set(numbers)) == len(numbers) > 10


def test_twisted_records_leave_the_daemon_at_work(
    server: Twisted, influx: Influx, rng: random.Random, tmp_path: Path
) -> None:
    site = filled(tmp_path / "hide", server.url)
    for _ in range(12):
        server.how = "twisted"
        with suppress(NightbankError), site.writer() as writer:
            writer.append([volts(20_000 + rng.randrange(1000))])
            writer.commit()
            writer.open_requests()
            writer.open_notices()
            writer.alarms()
            writer.transitions(0, 2**50)
    server.how = "real"
    site.clock.skip(4000)
    with site.writer() as writer:
        writer.append([volts(30_000)])
        writer.commit()
    series = influx.ask(f'SELECT "{VOLTAGE}" FROM nightbank', db=BUCKET)["series"][0]
    assert [volts(30_000).time_ms, 12.5] in series["values"]


def test_a_request_that_nobody_can_read_stops_no_other(
    server: Twisted, influx: Influx, tmp_path: Path
) -> None:
    site = filled(tmp_path / "hide", server.url)
    record = 'nightbank_record,site=Marsh\\ hide,kind=request,key=- number=7i,document="{0}" 0'
    influx.write(BUCKET, record.replace("{0}", '{\\"done_ms\\": null, \\"kind\\": 5}'))
    with site.writer() as writer:
        assert [each.kind for each in writer.open_requests()] == ["acknowledge"]
        assert writer.health()[0].device == "charger"  # and the server counts as one that answers


@pytest.fixture
def page(server: Twisted, gate: Gate, tmp_path: Path) -> Iterator[FlaskClient]:
    a_site(tmp_path, "Marsh hide", gate.url, alarms=(low_voltage(),))
    file = described(tmp_path, server.url)
    found = load_sites(file)
    asker = asker_of(found, file)
    never = iter(range(0, 10**9, 10**5))  # all is asked anew each time
    app = make_sites_app(found, asker, Sites(asker, lambda: float(next(never))), file.with_name("sites"))
    yield app.test_client()
    asker.close()


def test_no_page_of_many_sites_breaks_on_an_answer(server: Twisted, page: FlaskClient) -> None:
    for how in (*HOWS, *("twisted",) * 15, *("torn",) * 3):
        server.how = how
        for path in ("/", "/site?name=Marsh+hide", "/fresh?of=now&seen=1"):
            answer = page.get(path, base_url=HERE)
            assert answer.status_code in (200, 404), (how, path)
            if how in OTHER and path == "/":
                assert "does not answer as it should" in answer.get_data(as_text=True), how
