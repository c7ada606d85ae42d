"""The sun: what a clear sky would give this array, what this sky allowed, what the array's days say.

What a clear sky gives:
    expected   its power on the array, by tables that fit the site
    table      a day of it as a line of text
    months     a clear day of each month
    helper     starts the short-lived process that works it out
    almanac    that process, with panel (array and controller) and climate (the usual air)
    typical    another process: a typical year's file on this array

What a day of readings says:
    day        the steps of a day
    gather     makes them of rows
    taken      what was taken and what was left
    held       where the bank held the array back
    at_bank    a PWM array at the bank's own voltage
    level      the array's learnt factor
    rise       how high the array's voltage stands, by diode (a panel's curve); knee what that says
    signs      what each step says of the clear-sky index
    drawn      courses of the index that fit it

What days amount to:
    sky        what kind of day it was
    yields     IEC 61724-1
    book       what days tell together
    findings/  what is wrong with the array, one module a kind

Pure but for helper and the processes almanac and typical, which alone import pvlib and pandas. May import
bank, site, local_days, records, quantities, errors; `sun_report.py` and `sun_tables.py` read and write the
store and call this room. To add a finding, add a module to `findings/`.
"""
