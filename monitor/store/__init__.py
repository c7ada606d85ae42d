"""Readings, events, alarm states and notes on disk. `base` is the interface, `embedded` SQLite behind it.

Opening, reading, writing:
    base         what a store answers
    embedded     the read side, and the three ways to open a store
    writer       the write side: what is pending in memory, and the commit
    opening      who may write; migration first
    connect      connections, the writer's lock, SQLite's errors in plain words
    schema       tables, version, migrations
    queries      what is asked of SQLite
    unwritten    what came besides readings, until the commit
    waiting      what waits in memory for a card that stays full, bounded; pure

Readings as they land and are kept:
    landing      each reading once, days kept right
    channels     a channel (a device's quantity) while it is written
    going        what readings change in their channel; pure
    newest       each channel's newest; pure
    steps        values as whole steps
    pack         numbers and blocks packed; pure
    packing      ended spans into blocks, ended days into tiers, bit by bit
    blocks       good readings from rows and blocks
    days         a local day's statistics; pure
    tiers        hours and five minutes; pure
    forget       a device's readings of a span taken out

A series, and statistics of any span:
    zoom         a series from the right tier
    tracks       what is kept of one channel, as a series needs it
    course       one channel's buckets and silences
    reduce       several channels put together; pure
    parts        statistics of a span that begins or ends within a day

What stands besides readings:
    documents    records as JSON; pure
    log_table    the hand-written log
    heartbeat    the note by which a reader knows that somebody is watching
    fulls        when the bank was told full
    held         readings that wait for the time, and such as were set aside
    bundle       readings as bytes and text, for what waits outside the tables; pure

For a mirror:
    mirrored     what it has not been given yet
    mirrored_place, mirrored_readings, mirrored_days, mirrored_records   its place, and the parts of that
    late         notes of late readings
    mirrors      which mirrors there are

The file as a whole, and tables out and in:
    upkeep       looked through, measured, compacted
    copies       copied out and put back
    table_out    CSV out
    table_in     tables in, batch by batch
    table_rows   lines of our two forms; pure
    table_map    tables of other programs, described
    table_parquet   the two forms as Parquet

May import records, quantities, clock, local_days, errors, site. Another engine is another file here that
answers `base` and joins the parametrisation of `tests/contract/test_store_contract.py`.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.site.model import Site


def store_path(site: Site, site_file: Path) -> Path:
    """Where a site's store is: [store] path, relative to the site file's folder."""
    return site_file.parent / site.store.path
