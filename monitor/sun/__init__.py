"""The sun: what a clear sky would give this array, what this sky allowed, what the array's days say.

expected.py clear-sky power of the array, by tables that fit the site (almanac's work, see below); helper.py
starts the short-lived process that works it out; almanac.py is that process, with panel.py (array and
controller) and climate.py (the usual air), and typical.py another, which puts a typical year's file on the
array: no other module imports pvlib and pandas; table.py a day as a line of text; months.py a clear day of
each month; day.py the steps of a day and gather.py makes them of rows; taken.py what was taken and what was
left, by held.py (where the bank held the array back), at_bank.py (a PWM array at the bank's own voltage),
level.py (the array's learnt factor), rise.py (how high the array's voltage stands, by diode.py), knee.py
(what that says), signs.py (what each step says of the index) and drawn.py (courses of the index that fit it);
sky.py what kind of day it was; yields.py IEC 61724-1; book.py what days tell together;
findings/ what is wrong with the array, one module a kind.

Pure but for helper.py and the processes of almanac.py and typical.py. May import bank, site, records,
quantities, errors; of the store only its days: `sun_report.py` and `sun_tables.py` read and write it and call
this room. To add a finding, add a module to `findings/`.
"""
