"""The site file: what the person says about place, bank, array, controller, loads, devices and alarms.

`model.py` declares the tables, `load.py` reads TOML and names key and line of every fault, `check.py` works
out what the system amounts to and what contradicts itself, `ask.py` writes a new file from a few answers.
May import errors, quantities, records. To add a key, add a field to its table in `model.py`.
"""
