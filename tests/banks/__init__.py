"""Banks and sites that judge the estimator: other physics than the monitor's and the simulator's.

    model.py           what every bank answers; temperature, lines between points, roots
    third_order.py     Ceraolo / Jackey equivalent circuit with a parasitic branch
    shepherd.py        Shepherd / Tremblay generic model with acceptance and gassing added
    two_wells.py       kinetic reservoir under a rest-voltage table, with resistance and Tafel gassing
    lithium.py         LiFePO4 rest table with two polarisations and hysteresis
    weather.py         seeded skies, and days measured elsewhere
    consumption.py     lamps, fridge, parties, and nothing but the monitor
    charger.py         array and charge controller: bulk, absorption, float, equalization
    site.py            a site run step by step, and what its meters make of it: `Record`
    library.py         the named records
    plain_methods.py   what a hobby script does, to compare with
    stored/            records of PyBaMM's models, and `make.py`, which made them

Nothing here imports `monitor` or `simulator`, so that an equation that is wrong there is not wrong here too.
A constant that no source gives is our choice and says so. The state of charge is the share of the present
true capacity: 1 - missing / (capacity at the 20-hour rate, at this temperature and age).
"""
