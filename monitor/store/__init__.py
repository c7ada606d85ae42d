"""Readings, events, alarm states and notes on disk: `base.py` is the interface, `embedded.py` SQLite.

May import records, quantities, clock, errors, site. Another engine is another file here that answers `base`.
"""
