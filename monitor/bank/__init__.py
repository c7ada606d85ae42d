"""The bank: charge stage, state of charge, ledger, health. Pure: values in, values out, no clock, no store.

- The charge: `estimator.py` gathers samples and tells the estimate (the seam is the `Estimator` protocol),
  `cloud.py` holds the supposed banks that are moved and weighed (`supposed.py`, `weights.py`, `full_sign.py`,
  `packed.py`), `ahead.py` some of them that run on by themselves, `cell.py` how a cell answers a current,
  `priors.py` what is believed before anything is measured, `basis.py` the words; `replay.py` and
  `timeline.py` take a record from a file.
- The stage: `stage.py` with `stage_shown.py`, `stage_state.py`, `signs.py`, `held.py`, `setpoints.py`,
  `stage_hours.py`.
- The books: `ledger.py`, `health.py`, `resistance.py`. `tables.py` has what is published.

A new chemistry is a row in `priors.py` and `tables.py`. Only what goes over all supposed banks
at once uses numpy. May import site, records, quantities, errors.
"""
