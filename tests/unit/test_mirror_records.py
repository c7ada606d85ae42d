"""Everything but readings on its way to a server: once what it is now, nothing lost by a kill, nothing ahead.

Store and book are real; the server is a dictionary that, as time-series servers do, puts a point in the place
of one with the same time and tags. `tests/interop` has a real one.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from monitor.clock import SteppedClock
from monitor.errors import ServerError, Trouble
from monitor.mirror.book import Book, book_path, look_up
from monitor.mirror.eraser import Erase
from monitor.mirror.record_course import MOST_BYTES
from monitor.mirror.sender import MOST_LINES, Sender
from monitor.records import (
    AlarmState,
    DeviceHealth,
    Event,
    LogEntry,
    Notice,
    Quality,
    Reading,
    Request,
    Transition,
    parse_iso,
    to_datetime,
)
from monitor.served.hand_over import record_of
from monitor.site.mirror_table import MirrorEntry
from monitor.store.documents import (
    alarm_of,
    event_of,
    health_of,
    log_entry_of,
    notice_of,
    request_of,
    transition_of,
)
from monitor.store.embedded import leave_request, open_reader, open_writer
from monitor.store.mirrored_place import Gone, Point, What
from monitor.store.mirrored_records import record
from monitor.store.writer import EmbeddedWriter

NOON_MS = parse_iso("2026-11-24T12:00:00Z")
END_MS = 2**50
HOUR_S = 3600.0
VOLTAGE = "battery_voltage_V"
SITE = record("site", "", '{"name": "Marsh hide"}')
Key = tuple[str, str, int]


class Clock(SteppedClock):
    """Goes only when told, also for what is measured."""

    elapsed = 0.0

    def elapsed_s(self) -> float:
        return self.elapsed


class Far:
    """A server that keeps what came last of each thing; now and then it breaks off midway."""

    def __init__(self, rng: Random, *, breaks: float = 0.0) -> None:
        self.rng, self.breaks, self.loses_answers = rng, breaks, False
        self.records: dict[Key, tuple[str, int]] = {}
        self.readings: set[tuple[str, str, int]] = set()
        self.batches: list[list[Point]] = []
        self.refuses: Callable[[Point], bool] = lambda point: False

    def write(self, points: Sequence[Point]) -> None:
        if any(map(self.refuses, points)):
            raise ServerError("too long for me", Trouble.CONTENT)
        arrived = len(points)
        is_cut = self.loses_answers or self.rng.random() < self.breaks
        if is_cut and not self.loses_answers:
            arrived = self.rng.randint(0, arrived)
        for point in points[:arrived]:
            self._take(point)
        if is_cut:
            raise ServerError("the connection broke off", Trouble.UNREACHABLE)
        self.batches.append([*points])

    def _take(self, point: Point) -> None:
        if point.what is What.RECORD:
            kept = record_of(point)
            if kept.kind == "channel" and kept.document:
                self._look_behind(kept.key, json.loads(kept.document))
            self.records[kept.kind, kept.key, kept.time_ns] = (kept.document, kept.number)
        elif point.what is What.FLAWED:
            self.readings.add((point.device, point.of, point.time_ms))
        elif point.what is What.READING and not point.of:
            self.readings |= {(point.device, name, point.time_ms) for name in point.values}

    def _look_behind(self, device: str, channels: dict[str, dict[str, list[int]]]) -> None:
        """What a channel's record promises is there."""
        for quantity, ends in channels.items():
            assert (device, quantity, ends["last"][0]) in self.readings
            assert (device, quantity, ends["first_ms"]) in self.readings

    def documents(self, kind: str) -> dict[tuple[str, int], str]:
        """Key and number of what is there and was not forgotten."""
        return {
            (key, number): document
            for (of, key, _), (document, number) in self.records.items()
            if of == kind and document
        }


class Mirror:
    """A sender that can be stopped and killed."""

    def __init__(
        self,
        store: Path,
        far: Far,
        clock: Clock,
        send: Sequence[str] = ("all",),
        erase: Erase | None = None,
    ) -> None:
        self.store, self.far, self.clock, self.send = store, far, clock, list(send)
        self.erase = erase
        self._open()

    def _open(self) -> None:
        self.book = Book(book_path(self.store))
        entry = MirrorEntry.model_validate(
            {"name": "hub", "url": "http://192.0.2.9:8086", "bucket": "hide", "send": self.send}
        )
        self.sender = Sender(
            entry,
            ["hub"],
            self.store,
            self.book,
            self.far.write,
            self.clock,
            Random(3),
            site=SITE,
            erase=self.erase,
        )

    def step(self) -> None:
        self.clock.elapsed += 60
        self.sender.step()

    def stop(self) -> None:
        self.sender.close()
        self.kill()

    def kill(self) -> None:
        """Nothing is written any more."""
        self.book.close()
        self._open()

    def catch_up(self) -> None:
        self.step()
        for _ in range(1000):
            if self.sender.is_current:
                return
            self.step()
        raise AssertionError("it does not come to an end")

    def new(self) -> list[Point]:
        """The records that come from now on, up to the end."""
        before = len(self.far.batches)
        self.catch_up()
        came = [point for batch in self.far.batches[before:] for point in batch]
        return [point for point in came if point.what is What.RECORD]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "nightbank.db"
    with open_writer(path, "UTC") as writer:
        writer.append([Reading(NOON_MS, "shunt", VOLTAGE, 12.5)])
        writer.put_note("heartbeat", "1")
        writer.commit()
    return path


def notice(number: int, **more: object) -> Notice:
    return replace(
        Notice(NOON_MS + number, "alarm", "low", "high", "phone", "Low", f"It is {number}.", "due", NOON_MS),
        **more,
    )


class History:
    """What a daemon, people and time do to a store, drawn."""

    def __init__(self, path: Path, writer: EmbeddedWriter, rng: Random) -> None:
        self.path, self.writer, self.rng = path, writer, rng
        self.now_ms = NOON_MS + 60_000

    def go_on(self) -> None:
        """A few things, and a commit."""
        self.now_ms += self.rng.randint(1, 1_800_000)
        do = [self._read, self._happen, self._alarm, self._write_log, self._ask, self._notify, self._note]
        for each in self.rng.sample(do, self.rng.randint(1, len(do))):
            each()
        self.writer.commit()

    def _read(self) -> None:
        rng, writer = self.rng, self.writer
        writer.rank_devices(rng.sample(["shunt", "charger", "shed"], rng.randint(1, 3)))
        for device in ("shunt", "charger"):
            late_ms = rng.choice((0, 0, rng.randint(0, 7_200_000)))
            good = rng.random() < 0.8
            writer.append(
                [
                    Reading(self.now_ms - late_ms, device, VOLTAGE, rng.randint(0, 1500) / 100)
                    if good
                    else Reading(self.now_ms - late_ms, device, VOLTAGE, None, Quality.MISSING, "silent")
                ]
            )
            writer.put_health(
                DeviceHealth(
                    device, "port", "answering", NOON_MS, self.now_ms, 12.5, rng.randint(0, 9), {"late": 3}
                )
            )

    def _happen(self) -> None:
        for number in range(self.rng.randint(1, 4)):
            text = f'It said "{number}", and\\so \u00e9 on.\nTwice.'
            self.writer.add_event(Event(self.now_ms, "device", "shunt", text))

    def _alarm(self) -> None:
        state = self.rng.choice(("normal", "unacknowledged"))
        name = self.rng.choice(("low voltage", "hot", "full"))
        self.writer.put_alarm(AlarmState(name, state, NOON_MS, "high", 11.5, "It is low."))
        self.writer.add_transition(
            Transition(self.now_ms, name, "normal", state, "raised", "high", "x", {VOLTAGE: 11.5})
        )

    def _write_log(self) -> None:
        kept = self.writer.log(0, END_MS)
        if kept and self.rng.random() < 0.5:
            entry = self.rng.choice(kept)
            earlier = replace(entry, former=(), id=0)
            changed = replace(entry, time_ms=entry.time_ms + 7, text="other", former=(*entry.former, earlier))
            self.writer.put_log_entry(changed)
        else:
            self.writer.add_log_entry(LogEntry(self.now_ms, "water", "topped up", {"water_L": 0.5}, "me"))

    def _ask(self) -> None:
        leave_request(self.path, Request(self.now_ms, "log", "water", {"n": 1.0}, "me"))
        for each in self.writer.open_requests():
            if self.rng.random() < 0.7:
                self.writer.put_request(replace(each, done_ms=self.now_ms, outcome="Done."))

    def _notify(self) -> None:
        self.writer.add_notice(notice(self.rng.randint(0, 9)))
        for each in self.writer.open_notices():
            if self.rng.random() < 0.7:
                self.writer.put_notice(replace(each, state="delivered", finished_ms=self.now_ms))
        if self.rng.random() < 0.3:
            self.writer.forget_notices(self.now_ms - 3_600_000)

    def _note(self) -> None:
        # few wordings, so that a note is often again what it was before
        self.writer.put_note("outlook", self.rng.choice(("A", "B")))
        self.writer.put_note(f"days/2026-11-{self.rng.randint(10, 14)}", self.rng.choice(("A", "B")))


def compare(far: Far, store: Path) -> None:
    """All that the server has is what the store answers."""
    with open_reader(store) as reader:
        alarms = {alarm_of(document) for document in far.documents("alarm").values()}
        assert {(each.name, each) for each in reader.alarms()} == {(each.name, each) for each in alarms}
        assert reader.health() == sorted(
            map(health_of, far.documents("health").values()), key=lambda each: reader.health().index(each)
        )
        assert sorted(map(repr, reader.events(0, END_MS, 10**6))) == sorted(
            repr(event_of(document)) for document in far.documents("event").values()
        )
        for kind, of, kept in (
            ("transition", transition_of, reader.transitions(0, END_MS, 10**6)),
            ("log", log_entry_of, reader.log(0, END_MS, 10**6)),
            ("notice", notice_of, reader.notices(10**6)),
        ):
            there = {number: of(document, number) for (_, number), document in far.documents(kind).items()}
            assert there == {each.id: each for each in kept}
        requests = far.documents("request")
        for number in range(1, 200):
            document = requests.get(("", number))
            assert reader.request(number) == (None if document is None else request_of(document, number))
        notes = {record_key: json.loads(document) for record_key, document in notes_of(far).items()}
        assert notes == {key: reader.note(key) for key in notes}
        for key in ("heartbeat", "outlook", *(f"days/2026-11-{day}" for day in range(10, 15))):
            assert notes.get(key) == reader.note(key)
        (channels,) = [far.documents("channel")]
        ends = {
            (device, quantity): each["last"]
            for (device, _), document in channels.items()
            for quantity, each in json.loads(document).items()
        }
        assert ends == {
            (each.device, each.quantity): [each.time_ms, each.value, each.quality.value, each.reason]
            for each in reader.latest()
        }


def notes_of(far: Far) -> dict[str, str]:
    """Notes by the key that they have in the store; a dated one's day is its stamp."""
    found = {}
    for (kind, key, time_ns), (document, _) in far.records.items():
        if kind == "note" and document:
            day = f"/{to_datetime(time_ns // 10**6).date()}" if time_ns else ""
            found[key + day] = document
    return found


@pytest.mark.parametrize("seed", range(6))
def test_whatever_happens_the_server_has_in_the_end_what_the_store_has(store: Path, seed: int) -> None:
    """A drawn history of everything, a mirror that is stopped, killed and cut off in between."""
    rng = random.Random(seed)
    far, clock = Far(rng, breaks=0.2), Clock(NOON_MS)
    mirror = Mirror(store, far, clock)
    with open_writer(store, "UTC") as writer:
        history = History(store, writer, rng)
        for _ in range(40):
            history.go_on()
            for _ in range(rng.randint(0, 3)):
                mirror.step()
            rng.choice((mirror.stop, mirror.kill, lambda: None, lambda: None))()
        assert len(writer.events(0, END_MS, 10**6)) > 20
    far.breaks = 0.0
    mirror.catch_up()
    clock.elapsed += HOUR_S
    mirror.catch_up()
    compare(far, store)
    assert any(document == "" for document, _ in far.records.values()), "something was forgotten"


def test_after_a_clean_stop_nothing_comes_again_and_after_a_kill_what_has_a_state(store: Path) -> None:
    with open_writer(store, "UTC") as writer:
        writer.add_event(Event(NOON_MS, "start", "", "Started."))
        writer.add_notice(notice(1))
        writer.commit()
    mirror = Mirror(store, Far(Random(1)), Clock(NOON_MS))
    assert [point.device for point in mirror.new()] == [
        "event", "site", "notice", "note", "rank", "channel",
    ]  # fmt: skip
    assert mirror.new() == []
    mirror.stop()
    assert mirror.new() == []
    mirror.sender.save()
    mirror.kill()
    assert mirror.new() == [], "it had sent nothing since the clean stop, so all is known"
    with open_writer(store, "UTC") as writer:
        writer.put_note("heartbeat", "2")
        writer.commit()
    assert [(point.device, point.of) for point in mirror.new()] == [("note", "heartbeat")]
    mirror.kill()
    assert [point.device for point in mirror.new()] == ["site", "notice", "note", "rank", "channel"]


def note_outlook(store: Path, text: str) -> None:
    with open_writer(store, "UTC") as writer:
        writer.put_note("outlook", text)
        writer.commit()


def test_a_note_that_is_again_what_it_was_comes_again_though_a_kill_came_between(store: Path) -> None:
    """The digest of A was kept; B was sent, then the mirror was killed, and meanwhile the note is A again."""
    far = Far(Random(1))
    mirror = Mirror(store, far, Clock(NOON_MS))

    note_outlook(store, "A")
    mirror.catch_up()
    mirror.stop()
    note_outlook(store, "B")
    mirror.catch_up()
    assert far.documents("note")["outlook", 0] == '"B"'
    note_outlook(store, "A")
    mirror.kill()
    mirror.catch_up()
    assert far.documents("note")["outlook", 0] == '"A"'


def test_a_note_that_is_again_what_it_was_comes_again_though_the_answer_was_lost(store: Path) -> None:
    far = Far(Random(1))
    mirror = Mirror(store, far, Clock(NOON_MS))

    note_outlook(store, "A")
    mirror.catch_up()
    note_outlook(store, "B")
    far.loses_answers = True
    mirror.step()
    assert far.documents("note")["outlook", 0] == '"B"', "it had arrived"
    assert mirror.sender.error
    note_outlook(store, "A")
    far.loses_answers = False
    mirror.catch_up()
    assert far.documents("note")["outlook", 0] == '"A"'


def test_what_was_forgotten_is_emptied_though_the_mirror_was_killed_before_it_saved(store: Path) -> None:
    far = Far(Random(1))
    mirror = Mirror(store, far, Clock(NOON_MS))
    mirror.catch_up()
    with open_writer(store, "UTC") as writer:
        writer.add_notice(notice(1, finished_ms=NOON_MS, state="delivered"))
        writer.commit()
        mirror.catch_up()
        assert len(far.documents("notice")) == 1
        mirror.kill()
        writer.forget_notices(NOON_MS + 1)
        writer.commit()
    mirror.catch_up()
    assert far.documents("notice") == {}
    assert far.records["notice", "", 1] == ("", 1)
    assert mirror.new() == [], "once"


def test_a_backup_in_the_place_of_the_store_has_all_events_come_again(store: Path) -> None:
    far = Far(Random(1))
    mirror = Mirror(store, far, Clock(NOON_MS))

    def happen(*texts: str) -> None:
        with open_writer(store, "UTC") as writer:
            for text in texts:
                writer.add_event(Event(NOON_MS, "device", "", text))
            writer.commit()

    happen("one")
    mirror.catch_up()
    copy = store.read_bytes()
    happen("two", "three")
    mirror.catch_up()
    for file in store.parent.glob("nightbank.db-*"):
        file.unlink()
    store.write_bytes(copy)
    happen("other", "another", "more")
    assert [json.loads(str(p.values["document"]))["text"] for p in mirror.new() if p.device == "event"] == [
        "one", "other", "another", "more",
    ]  # fmt: skip


def test_an_alarm_does_not_wait_for_weeks_of_readings_but_the_ends_of_channels_do(store: Path) -> None:
    with open_writer(store, "UTC") as writer:
        writer.append(
            Reading(NOON_MS + number * 1000, "shunt", VOLTAGE, 12.5) for number in range(1, 9 * MOST_LINES)
        )
        writer.put_alarm(AlarmState("low", "unacknowledged", NOON_MS, "high", 11.5, "It is low."))
        writer.commit()
    far = Far(Random(1))
    mirror = Mirror(store, far, Clock(NOON_MS))
    for _ in range(6):
        mirror.step()
    assert not mirror.sender.is_current
    assert set(far.documents("alarm")) == {("low", 0)}
    assert far.documents("channel") == {}
    mirror.catch_up()
    assert set(far.documents("channel")) == {("shunt", 0)}


def test_batches_of_records_are_bounded_in_lines_and_in_length(store: Path) -> None:
    with open_writer(store, "UTC") as writer:
        for number in range(2 * MOST_LINES):
            writer.add_event(Event(NOON_MS, "device", "", "x" * (number % 300)))
        for number in range(9):
            writer.put_note(f"note {number}", "y" * 90_000)
        writer.put_note("long", "z" * 3 * MOST_BYTES)
        writer.commit()
    far = Far(Random(1))
    mirror = Mirror(store, far, Clock(NOON_MS))
    mirror.catch_up()
    for batch in far.batches:
        size = sum(len(str(point.values.get("document", ""))) for point in batch)
        assert len(batch) <= MOST_LINES
        assert len(batch) == 1 or size <= MOST_BYTES
    assert len(far.documents("event")) == 2 * MOST_LINES
    assert len(far.documents("note")) == 1 + 9 + 1


def test_a_refused_record_blocks_nothing_is_told_once_and_comes_again_when_it_changes(store: Path) -> None:
    def write(text: str) -> None:
        with open_writer(store, "UTC") as writer:
            writer.put_note("outlook", text)
            writer.add_event(Event(NOON_MS, "device", "", text[:1]))
            writer.commit()

    far = Far(Random(1))
    far.refuses = lambda point: point.of == "outlook" and len(str(point.values["document"])) > 100
    mirror = Mirror(store, far, Clock(NOON_MS))
    write("y" * 200)
    mirror.catch_up()
    assert set(far.documents("note")) == {("heartbeat", 0)}
    assert far.documents("channel")
    write("z" * 200)
    mirror.catch_up()
    mirror.sender.save()
    _, state, refused = look_up(book_path(store), "hub", 10)
    assert [(each.point.device, each.point.of, dict(each.point.values)) for each in refused] == [
        ("note", "outlook", {"characters": 202})
    ]
    assert state.refused == 2
    with open_reader(store) as reader:
        (told,) = [event.text for event in reader.events(0, END_MS) if event.kind == "mirror"]
    assert told.startswith("The server does not take note outlook of the records: too long for me.")
    write("A")
    mirror.catch_up()
    assert far.documents("note")["outlook", 0] == '"A"'


def test_what_was_replaced_is_taken_out_before_the_new_comes_and_a_server_that_cannot_is_told_of_once(
    store: Path,
) -> None:
    def replace_estimates(value: float) -> None:
        with open_writer(store, "UTC") as writer:
            new = [Reading(NOON_MS + 7 + round(value), "estimate", VOLTAGE, value)]
            writer.replace("estimate", NOON_MS, NOON_MS + 10_000, new)

    def told() -> list[str]:
        with open_reader(store) as reader:
            return [event.text for event in reader.events(0, END_MS) if event.kind == "mirror"]

    taken_out: list[tuple[str, int, int]] = []
    trouble = [Trouble.UNREACHABLE, None, Trouble.DENIED, Trouble.CONTENT]

    def erase(gone: Gone) -> None:
        why = trouble.pop(0)
        if why is not None:
            raise ServerError("no deleting here", why)
        taken_out.append((gone.device, gone.start_ms, gone.end_ms))

    replace_estimates(0.0)
    mirror = Mirror(store, Far(Random(1)), Clock(NOON_MS), erase=erase)
    mirror.catch_up()
    replace_estimates(1.0)
    mirror.step()
    assert "no deleting" in mirror.sender.error
    assert ("estimate", VOLTAGE, NOON_MS + 8) not in mirror.far.readings
    mirror.catch_up()
    assert taken_out == [("estimate", NOON_MS, NOON_MS + 10_000)]
    assert ("estimate", VOLTAGE, NOON_MS + 8) in mirror.far.readings
    for value in (2.0, 3.0):
        replace_estimates(value)
        mirror.catch_up()
        assert ("estimate", VOLTAGE, NOON_MS + 7 + round(value)) in mirror.far.readings
    mirror.sender.save()
    assert trouble == []
    (said,) = told()
    assert said.startswith("The server does not delete: no deleting here. Estimates")


def test_what_is_set_aside_once_is_sent_again_when_asked_for(store: Path) -> None:
    far = Far(Random(1))
    mirror = Mirror(store, far, Clock(NOON_MS))
    mirror.catch_up()
    mirror.stop()
    mirror.book.forget_given("hub")
    mirror.kill()
    assert [point.device for point in mirror.new()] == ["site", "note", "rank", "channel"]


def test_without_records_in_send_there_are_none(store: Path) -> None:
    mirror = Mirror(store, Far(Random(1)), Clock(NOON_MS), ["measured", "days"])
    assert mirror.new() == []


def test_records_alone_tell_of_no_channel(store: Path) -> None:
    mirror = Mirror(store, Far(Random(1)), Clock(NOON_MS), ["records"])
    assert [point.device for point in mirror.new()] == ["site", "note", "rank"]
    assert mirror.far.readings == set()
