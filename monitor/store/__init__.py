"""Readings, events, alarm states and notes on disk: `base.py` is the interface, `embedded.py` SQLite.

    embedded    open a store; the read side           writer     the write side: pending, commit
    opening     who may write, migration first        unwritten  what came besides readings, until then
    newest      each channel's newest; pure
    landing     each reading once, days kept right    channels   a channel while it is written
    packing     ended spans and days, bit by bit      forget     a device's readings of a span out
    queries     what is asked of SQLite               schema     tables, version, migrations
    blocks      readings from rows and blocks         zoom       a series from the right tier
    connect     connections, lock, errors             pack       numbers and blocks packed; pure
    days        a local day's statistics; pure        tiers      hours and five minutes; pure
    reduce      series from buckets; pure             steps      values as whole steps
    course      one channel's buckets and silences   tracks   the same with tiers and days, for a series
    documents   records as JSON; pure
    upkeep      checked, measured, compacted          copies     copied out and put back
    table_out   CSV out                               table_in   tables in, batch by batch
    table_rows  lines of our two forms; pure          table_map  tables of other programs, described
    table_parquet   the same two forms as Parquet
    late        notes of late readings for mirrors    mirrored   what a mirror has not been given yet
    mirrors     which mirrors there are               mirrored_days   the same for days' statistics

May import records, quantities, clock, errors, site. Another engine is another file here that answers `base`
and joins the parametrisation of `tests/contract/test_store_contract.py`.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.site.model import Site


def store_path(site: Site, site_file: Path) -> Path:
    """Where a site's store is: [store] path, relative to the site file's folder."""
    return site_file.parent / site.store.path
