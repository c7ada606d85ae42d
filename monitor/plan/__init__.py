"""The load plan: what the loads take a day, how long the bank lasts, what bank and array should be. Pure.

    draws      loads as declared, added and drawn beside them: energy a day by branch, an inverter's losses
    sizing     the published formulas, one function a step
    sunlight   peak sun hours by month, from a clear sky and this site's own days; the design month
    dark       the chance of a dark night by month, from this site's own days
    system     bank and array as they are or might become, how long they last, and the sizing step by step

It reads no store: `plan_report.py` hands in what is known, `plan_words.py` tells it.
"""
