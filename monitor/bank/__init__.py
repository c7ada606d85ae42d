"""The bank: charge stage, state of charge, ledger, health. Pure: values in, values out, no clock, no store.

The charge:
    estimator     gathers samples and tells the estimate; the seam is its protocol `Estimator`
    sample        what it takes and gives
    description   what it needs to know of a site
    cloud         the supposed banks, moved and weighed
    supposed      how they move, and what voltage they show
    weights       how much each counts, and which are drawn anew
    full_sign     what a voltage held high by a small current says
    ahead         some of them that run on by themselves
    packed        their numbers as small text
    cell          how a cell answers a current
    priors        what is believed before anything is measured
    quantiles     quantiles of plain arrays
    basis         what an estimate rests on, in words; charge_words how a charge is told
    replay        a record from a file; timeline which rows of it may be seen

The stage:
    stage         from voltage, current, array and set points
    stage_shown, stage_state, signs   what one sample shows, what is followed, what it tells of charging
    held          the voltage a controller holds
    setpoints     set points at the bank's temperature
    stage_hours   what stored stages tell afterwards

The books:
    ledger        what came in and went out
    health        capacity, acceptance, sulfation, balance, cycle life
    resistance    from load steps
    tables        what is published

A new chemistry is a row in `priors.py` and `tables.py`. Only what goes over all supposed banks
at once uses numpy. May import site, records, quantities, errors.
"""
