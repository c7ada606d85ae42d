"""Small off-grid sites under measured skies: what judges the monitor's reading of sky and array.

    sources.py    measured files inside the pvanalytics and pvlib packages, checked, in one form
    clearsky.py   clear-sky light on a plane, sun position
    classes.py    what kind of day it was, from measured irradiance alone
    records.py    the named records: stretches of a source
    panels.py     current of a panel by voltage, light and temperature
    plant.py      a small site as drawn by a seed: array, controller, bank, loads
    running.py    the site step by step
    faults.py     faults put into a site or its readings
    readings.py   what its meters make of it: rows, truth
    folder.py     site.toml, measurements.csv, truth.json
    library.py    the same, kept in the temporary folder
    command.py    a record through the real commands
    write.py      python -m tests.sun.write FOLDER NAME

Nothing here imports `monitor` or `simulator`, so that an equation that is wrong there is not wrong here too.
Of the project only tests.banks is used: its banks and its charge controller. A constant that no source gives
is our choice and says so.
"""
