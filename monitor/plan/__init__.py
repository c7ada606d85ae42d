"""The load plan: what the loads take a day, how long the bank lasts, what bank and array should be. Pure.

    draws      loads as declared, added and drawn beside them: energy a day by branch, an inverter's losses
    sizing     the published formulas, one function a step
    sunlight   peak sun hours by month, from a clear sky and days of this place; the design month
    nature     how a bank gives and takes over a day: the estimator's constants as plain numbers
    system     bank and array as they are or might become, and how many nights a charge lasts
    dark       the chance of a dark night by month, from days of this place
    steps      what bank and array should be, step by step
    whole      one plan: a load on a bank under an array

It reads no store: `plan_report.py` hands in what is known, `plan_words.py` tells it.
"""
