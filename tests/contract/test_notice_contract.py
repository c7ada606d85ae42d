"""What every store keeps of notices: the outbox row by row, also over a writer that is killed."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.records import Notice, Request
from monitor.store.embedded import open_reader
from tests.contract.engines import Engine, Pair, opened
from tests.contract.test_store_contract import NOON, engine, store

__all__ = ["engine", "store"]  # fixtures


def notice(at: int, channel: str = "phone") -> Notice:
    return Notice(
        created_ms=NOON + at,
        kind="alarm",
        about="Low voltage",
        priority="urgent",
        channel=channel,
        title=f"Low voltage {at}",
        text="11.2 V. Äh!",
        state="due",
        next_ms=NOON + at,
        expires_ms=NOON + 1000,
    )


def test_a_notice_has_its_number_after_the_commit_and_keeps_all_its_fields(store: Pair) -> None:
    store.writer.add_notice(notice(0))
    assert store.writer.open_notices() == []
    store.writer.commit()
    (kept,) = store.reader.open_notices()
    assert kept.id > 0
    assert kept == replace(notice(0), id=kept.id)
    assert store.writer.open_notices() == [kept]


def test_open_notices_come_oldest_first_and_all_newest_first_within_a_limit(store: Pair) -> None:
    for at in range(5):
        store.writer.add_notice(notice(at))
    store.writer.commit()
    assert [each.created_ms - NOON for each in store.reader.open_notices()] == [0, 1, 2, 3, 4]
    assert [each.created_ms - NOON for each in store.reader.notices(limit=3)] == [4, 3, 2]
    numbers = [each.id for each in store.reader.open_notices()]
    assert numbers == sorted(set(numbers))


def test_the_writer_sees_a_changed_notice_before_the_commit_and_readers_after(store: Pair) -> None:
    store.writer.add_notice(notice(0))
    store.writer.commit()
    (kept,) = store.reader.open_notices()
    trying = replace(kept, state="trying", attempts=1, maybe_twice=True, last_error="no answer")
    store.writer.put_notice(trying)
    assert store.writer.open_notices() == [trying]
    assert store.reader.open_notices() == [kept]
    store.writer.commit()
    assert store.reader.open_notices() == [trying]


@pytest.mark.parametrize("state", ["delivered", "expired", "withdrawn"])
def test_a_finished_notice_is_open_no_more_but_still_told(store: Pair, state: str) -> None:
    store.writer.add_notice(notice(0))
    store.writer.commit()
    (kept,) = store.reader.open_notices()
    done = replace(kept, state=state, finished_ms=NOON + 5)
    store.writer.put_notice(done)
    assert store.writer.open_notices() == []
    store.writer.commit()
    assert store.reader.open_notices() == []
    assert store.reader.notices() == [done]


def test_forgetting_drops_what_was_finished_before_and_nothing_that_is_open(store: Pair) -> None:
    for at in range(3):
        store.writer.add_notice(notice(at))
    store.writer.commit()
    first, second, third = store.reader.open_notices()
    store.writer.put_notice(replace(first, state="delivered", finished_ms=NOON + 10))
    store.writer.put_notice(replace(second, state="delivered", finished_ms=NOON + 20))
    store.writer.forget_notices(NOON + 20)
    store.writer.commit()
    assert [each.id for each in store.reader.notices()] == [third.id, second.id]
    assert [each.id for each in store.reader.open_notices()] == [third.id]


def test_forgetting_drops_requests_that_were_done_before_and_no_open_one(store: Pair) -> None:
    done, waits = (store.leave(Request(NOON, "test notice", name)) for name in ("a", "b"))
    store.writer.put_request(replace(store.reader.request(done), done_ms=NOON, outcome="done"))
    store.writer.commit()
    store.writer.forget_notices(NOON + 1)
    store.writer.commit()
    assert store.reader.request(done) is None
    assert [each.id for each in store.reader.open_requests()] == [waits]


def test_a_number_is_never_given_again(store: Pair) -> None:
    store.writer.add_notice(notice(0))
    store.writer.commit()
    (first,) = store.reader.open_notices()
    store.writer.put_notice(replace(first, state="delivered", finished_ms=NOON))
    store.writer.forget_notices(NOON + 1)
    store.writer.commit()
    store.writer.add_notice(notice(1))
    store.writer.commit()
    (second,) = store.reader.open_notices()
    assert second.id > first.id


def test_a_note_and_a_notice_of_one_commit_are_there_together_or_not_at_all(
    engine: Engine, tmp_path: Path
) -> None:
    with opened(engine) as pair:
        pair.writer.add_notice(notice(0))
        pair.writer.put_note("memory", "told")
        assert (pair.reader.note("memory"), pair.reader.open_notices()) == (None, [])
        pair.writer.commit()
        assert (pair.reader.note("memory"), len(pair.reader.open_notices())) == ("told", 1)


WRITER = """
import sys
from dataclasses import replace
from pathlib import Path
from monitor.store.embedded import open_writer
from tests.contract.test_notice_contract import notice
writer = open_writer(Path(sys.argv[1]), "UTC")
for at in range(10**6):
    writer.add_notice(notice(at))
    writer.put_note("made", str(at + 1))
    writer.commit()
    (newest,) = writer.notices(limit=1)
    writer.put_notice(replace(newest, state="delivered", finished_ms=newest.created_ms))
    writer.put_note("done", str(at + 1))
    writer.commit()
    print(at + 1, flush=True)
"""


@pytest.fixture
def killed(tmp_path: Path) -> Iterator[Path]:
    """A store whose writer was killed in the middle of its work, after at least twenty notices."""
    path = tmp_path / "store.db"
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        for _ in range(20):
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
        process.stdout.read()
    return path


def test_a_kill_leaves_every_notice_as_its_last_commit_had_it(killed: Path) -> None:
    with open_reader(killed) as reader:
        made, done = int(reader.note("made") or 0), int(reader.note("done") or 0)
        notices = reader.notices(limit=10**6)
        assert len(notices) == made >= 20
        assert sum(each.state == "delivered" for each in notices) == done
        assert len(reader.open_notices()) == made - done <= 1
