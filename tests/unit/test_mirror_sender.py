"""One mirror's pace, waits, memory and words. The store and the book are real, the server is a function."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest

from monitor.clock import SteppedClock
from monitor.errors import ServerError, StoreError, Trouble
from monitor.mirror.book import KEPT, Book, book_path, look_up
from monitor.mirror.sender import SAVE_EVERY_S, Sender
from monitor.mirror.state import Refused, State
from monitor.notices.retry import LONGEST_ASKED_S
from monitor.records import Event, Reading, parse_iso
from monitor.served.lines import Lines, tag_value
from monitor.served.trouble import retry_after_s
from monitor.site.mirror_table import MirrorEntry
from monitor.store.embedded import open_reader, open_writer
from monitor.store.mirrored_place import Place, Point, What
from monitor.store.mirrored_records import record

NOON_MS = parse_iso("2026-11-24T12:00:00Z")


class Clock(SteppedClock):
    """Stands still, also for what is measured."""

    elapsed = 0.0

    def elapsed_s(self) -> float:
        return self.elapsed


class Far:
    """A server that takes all, or answers with what it was told to."""

    def __init__(self) -> None:
        self.answer: ServerError | None = None
        self.took: list[Point] = []
        self.sizes: list[int] = []

    def write(self, points: Sequence[Point]) -> None:
        self.sizes.append(len(points))
        if self.answer is not None:
            raise self.answer
        self.took += points


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "nightbank.db"
    put(path, 2500)
    return path


def put(path: Path, count: int, start_ms: int = NOON_MS) -> None:
    with open_writer(path, "UTC") as writer:
        for number in range(count):
            writer.append([Reading(start_ms + number * 1000, "shunt", "battery_voltage_V", 12.5)])
        writer.commit()


def sender_of(store: Path, book: Book, far: Far, clock: Clock, **more: object) -> Sender:
    entry = MirrorEntry.model_validate(
        {"name": "hub", "url": "http://192.0.2.9:8086", "bucket": "hide", **more}
    )
    return Sender(entry, ["hub"], store, book, far.write, clock, Random(3))


def test_what_has_waited_goes_at_a_polite_pace_and_new_readings_every_minute(store: Path) -> None:
    far = Far()
    with Book(book_path(store)) as book:
        sender = sender_of(store, book, far, Clock(NOON_MS), lines_per_s=200, every_s=60)
        assert [sender.step() for _ in range(3)] == [1000 / 200, 1000 / 200, 60]
        assert sender.is_current
        assert sender.step() == 60
    assert far.sizes == [1000, 1000, 500]
    assert [point.time_ms for point in far.took] == sorted(point.time_ms for point in far.took)


def test_the_day_that_goes_on_comes_every_few_minutes_and_at_once_after_trouble(store: Path) -> None:
    far, clock = Far(), Clock(NOON_MS)

    def days_after(seconds: float) -> int:
        before = len(far.took)
        put(store, 1, NOON_MS + 3_000_000 + round(clock.elapsed) * 1000)
        clock.elapsed += seconds
        sender.step()
        return sum(point.of != "" and point.what is What.READING for point in far.took[before:])

    about = record("site", "", "{}")
    with Book(book_path(store)) as book:
        entry = {"name": "hub", "url": "http://192.0.2.9:8086", "bucket": "hide", "send": ["all"]}
        sender = Sender(
            MirrorEntry.model_validate(entry), ["hub"], store, book, far.write, clock, Random(3), site=about
        )
        while not sender.is_current:
            sender.step()
        assert [days_after(60) for _ in range(5)] == [0, 0, 0, 1, 0]
        far.answer = ServerError("away", Trouble.UNREACHABLE)
        assert days_after(60) == 0
        far.answer = None
        assert days_after(60) == 1


def test_a_server_that_asks_for_time_gets_it_but_not_for_ever(store: Path) -> None:
    far = Far()
    with Book(book_path(store)) as book:
        sender = sender_of(store, book, far, Clock(NOON_MS))
        far.answer = ServerError("busy", Trouble.BUSY, 120.0)
        assert sender.step() == 120
        far.answer = ServerError("busy", Trouble.BUSY, 1e9)
        assert sender.step() == LONGEST_ASKED_S
        far.answer = None
        assert sender.step() < 60
        assert sender.error == ""


def test_waits_double_up_to_a_quarter_of_an_hour_with_jitter(store: Path) -> None:
    far = Far()
    far.answer = ServerError("away", Trouble.UNREACHABLE)
    with Book(book_path(store)) as book:
        sender = sender_of(store, book, far, Clock(NOON_MS))
        waits = [sender.step() for _ in range(12)]
    # our choice (notices/retry.py): 5 s, doubling to 900 s, up to half off
    for number, wait in enumerate(waits):
        assert min(900, 5 * 2**number) / 2 <= wait <= min(900, 5 * 2**number)
    assert far.sizes == [1000, 500, 250, 125, 62, 50, 50, 50, 50, 50, 50, 50], (
        "less each time it does not answer"
    )


def test_the_place_is_written_rarely_in_quiet_times_and_always_at_a_stop(store: Path) -> None:
    far, clock = Far(), Clock(NOON_MS)

    def written_to() -> int:
        place, _, _ = look_up(book_path(store), "hub", 0)
        return -1 if place is None else max(place.given.values())

    with Book(book_path(store)) as book:
        sender = sender_of(store, book, far, clock)
        while not sender.is_current:
            sender.step()
        assert written_to() == -1
        clock.elapsed += SAVE_EVERY_S
        sender.step()
        assert written_to() == NOON_MS + 2_499_000
        put(store, 10, NOON_MS + 3_000_000)
        sender.step()
        assert written_to() == NOON_MS + 2_499_000
        sender.save()
        assert written_to() == NOON_MS + 3_009_000


def test_after_a_clean_stop_nothing_is_sent_twice(store: Path) -> None:
    far = Far()
    for _ in range(3):
        with Book(book_path(store)) as book:
            sender = sender_of(store, book, far, Clock(NOON_MS))
            for _ in range(4):
                sender.step()
            sender.save()
    assert len(far.took) == len({point.time_ms for point in far.took}) == 2500


def test_a_lost_book_means_that_all_is_sent_again(store: Path) -> None:
    far = Far()
    for _ in range(2):
        with Book(book_path(store)) as book:
            sender = sender_of(store, book, far, Clock(NOON_MS))
            for _ in range(3):
                sender.step()
            sender.save()
        for file in store.parent.glob("*.mirrors*"):
            file.unlink()
    assert len(far.took) == 2 * 2500


def test_the_book_gives_back_what_it_was_given(tmp_path: Path) -> None:
    place = Place(7, 3, NOON_MS, {("shunt", "battery_voltage_V"): NOON_MS}, "Europe/London", (739_000,))
    event = Event(NOON_MS, "mirror", "hub", "The server takes nothing: no.")
    state = State(5, 1, NOON_MS, NOON_MS - 1, "away", NOON_MS + 1, ("denied",), (event,))
    refused = Refused(Point(NOON_MS, "shunt", {"mean": 1.5}, "battery_voltage_V"), "too old", NOON_MS)
    path = tmp_path / "store.db.mirrors"
    with Book(path) as book:
        book.save("hub", place, state, [refused])
        assert book.read("hub") == (place, state)
        assert book.read("other") == (None, State())
    assert look_up(path, "hub", 5) == (place, state, [refused])


def test_the_book_keeps_the_newest_refused_values_and_no_more(tmp_path: Path) -> None:
    path = tmp_path / "store.db.mirrors"
    with Book(path) as book:
        for start in (0, KEPT):
            rows = [Refused(Point(start + n, "shunt", {"x": 1.0}), "no", start + n) for n in range(KEPT)]
            book.save("hub", Place(1), State(), rows)
        _, _, kept = look_up(path, "hub", 10 * KEPT)
    assert [each.found_ms for each in kept] == list(range(2 * KEPT - 1, KEPT - 1, -1))


def told(store: Path) -> list[str]:
    with open_reader(store) as reader:
        return [event.text for event in reversed(reader.events(0, 2**50))]


def test_a_server_that_was_away_for_a_day_is_told_once_and_so_is_its_return(store: Path) -> None:
    far, clock = Far(), Clock(NOON_MS)
    far.answer = ServerError("hub: cannot be reached (no connection)", Trouble.UNREACHABLE)
    with Book(book_path(store)) as book:
        sender = sender_of(store, book, far, clock)
        for hour in range(28):
            clock.set(NOON_MS + hour * 3_600_000)
            sender.step()
            assert len(told(store)) == (1 if hour >= 24 else 0), hour
        far.answer = None
        sender.step()
    assert told(store) == [
        "The server has taken nothing for a day: hub: cannot be reached (no connection)."
        " Nothing is lost; it is tried again.",
        "The server takes readings again, after 1 day 3 h.",
    ]


def test_an_hour_without_a_network_is_nothing_to_tell(store: Path) -> None:
    far, clock = Far(), Clock(NOON_MS)
    far.answer = ServerError("hub: cannot be reached (no connection)", Trouble.UNREACHABLE)
    with Book(book_path(store)) as book:
        sender = sender_of(store, book, far, clock)
        sender.step()
        clock.set(NOON_MS + 3_600_000)
        far.answer = None
        sender.step()
    assert told(store) == []


def test_a_book_that_is_damaged_is_told_with_what_to_do(store: Path) -> None:
    book_path(store).write_bytes(b"no database at all" * 100)
    with pytest.raises(StoreError, match="remove it and all is sent once more"):
        Book(book_path(store))


def test_a_place_of_another_version_means_that_all_is_sent_again(store: Path) -> None:
    with Book(book_path(store)) as book:
        book.save("hub", Place(7), State(taken=5))
    with closing(sqlite3.connect(book_path(store))) as file:
        file.execute("""UPDATE mirror SET place = '{"key": 7, "sent": []}'""")
        file.commit()
    assert look_up(book_path(store), "hub", 5) == (None, State(), [])


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("120", 120.0), ("Tue, 24 Nov 2026 12:01:30 GMT", 90.0), ("Tue, 24 Nov 2026 11:00:00 GMT", 0.0),
     ("soon", None), (None, None)],
)  # fmt: skip
def test_retry_after_is_seconds_or_a_date(text: str | None, seconds: float | None) -> None:
    # RFC 9110, 10.2.3: delay-seconds or an HTTP-date (5.6.7)
    assert retry_after_s(text, datetime(2026, 11, 24, 12, tzinfo=UTC)) == seconds


def test_a_line_names_site_device_quantity_and_unit() -> None:
    point = Point(NOON_MS, "shunt", {"battery_voltage_V": 12.31, "charge_stage": 2})
    day = Point(NOON_MS, "x", {"mean": 12.3, "count": 9}, "battery_voltage_V")
    # line protocol (from memory): measurement,tags fields time; blanks in a tag escaped, integers end in i
    assert Lines("Marsh hide").of([point, day]) == [
        f"nightbank,site=Marsh\\ hide,device=shunt battery_voltage_V=12.31,charge_stage=2i {NOON_MS}",
        f"nightbank_day,site=Marsh\\ hide,device=x,quantity=battery_voltage_V mean=12.3,count=9i {NOON_MS}",
    ]


@pytest.mark.parametrize("name", ["a\nb", "a\tb", "  a b ", "tail\\", "tail \\ \\"])
def test_a_tag_never_breaks_its_line(name: str) -> None:
    written = tag_value(name)
    assert "\n" not in written
    assert "\t" not in written
    assert not written.endswith(("\\", " "))
    assert not re.search(r"(?<!\\) ", written)
