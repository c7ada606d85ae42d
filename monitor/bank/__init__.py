"""The bank: charge stage, state of charge, ledger. Pure: values in, values out, no clock and no store.

`stage.py` names the charge stage, `estimator.py` the state of charge with its deviation (the seam is the
`Estimator` protocol), `ledger.py` the day's Ah and Wh. May import site, records, quantities, errors.
"""
