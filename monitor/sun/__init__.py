"""The sun: what a clear sky would give this array, what this sky allowed, what the array's days say.

expected.py clear-sky power of the array; almanac.py the short-lived process that works it out, the only one
to import pvlib and pandas; day.py the steps of a day; taken.py what was taken and what was left; sky.py what
kind of day it was; yields.py IEC 61724-1; findings/ what is wrong with the array, one module a kind.

Pure but for almanac.py's own process. May import bank, site, records, quantities, errors; never the store:
`sun_report.py` reads it and calls this room. To add a finding, add a module to `findings/`.
"""
