"""The outlook: tonight's course of charge and voltage, and the next days, as a distribution. Pure.

- `past.py` what the site drew, got and how warm it was, five minutes by five minutes, for some weeks
- `loads.py` loads ahead, from this site's own nights and what this evening has shown so far
- `declared.py` the loads of the site file
- `sky.py` days ahead, from this site's own record of clear and wet days
- `course.py` a few hundred supposed banks run on under these loads and suns
- `night.py` from when on the array helps again
- `make.py` all of it put together, and the questions answered
- `answer.py` what is told, as frozen values
- `words.py` the answer in one line
- `document.py` the whole of it as JSON

It reads no store: `outlooks.py` (the daemon) and `outlook_report.py` (the command) hand in what is known.
"""

OUTLOOK_NOTE = "outlook"
"""Key of the store's note with the newest outlook, the JSON document of `nightbank outlook --json`."""

WARN_PROBABILITY = 0.2
"""From this probability on to fall below the reserve, or below the controller's disconnect, before the array
helps again, the person is warned (our choice: tests/bench/OUTLOOK.md tells what it misses and what it
raises in vain)."""
