"""Small sites whose nights judge the outlook: banks, weather and loads by a seed, and habits that change.

The physics are those of `tests/banks`, which share no equation with the estimator; nothing true is shown to
the outlook but the site file, as its owner would write it, and what the meters gave.
"""
