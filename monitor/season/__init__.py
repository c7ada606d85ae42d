"""A season in figures: what the bank went through, what was done, what the array gave. Pure.

    bank     the bank's lowest points, nights below the reserve, full charges, extremes
    watched  when nobody watched: days and hours without readings
    alarms   what was raised, how often and for how long
    done     what people wrote down
    array    what came from the array, and its yields

Unknown is None. `season_report.py` gathers it from the store, `season_words.py` tells it.
"""
