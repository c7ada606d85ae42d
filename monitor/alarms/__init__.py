"""Alarms: rules over what was stored, their states kept in the store.

`rules.py` the rules as data (the shipped ones and the site file's), `engine.py` the state machine; pure.
May import store (read side), bank, site, records, quantities. A new rule is a row in `rules.shipped_rules`
or an [[alarms]] table of the site file.
"""
