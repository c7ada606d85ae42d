"""What may speak against calling a place certain.

little    too little was shown: another register may agree by chance (`settle` and `chance` say that)
lag       one look agrees only with the display's lag
twin      another place holds the very same values
rivals    another place, or the same one read in another way, agrees as well or nearly so
extreme   a record of the highest or lowest would have gone the same way: it must have risen and fallen
alike     another quantity would have shown the same digits at every look; it is named: net (the bank's
          current), charge, array, load, through (a controller without a converter passes the array's
          current on), probe (another one of the controller), month (the month's energy on its first day),
          total (all that the device has ever counted, on its first day),
          output (the load output's voltage, which is the bank's as long as the output is on)
shared    another quantity is as likely to live in the same register
width     the register beside it has always been empty: it may be the other half, which is needed, or not
sign      it has never been below zero, so that nobody knows how the register writes that
"""

from typing import Literal

Doubt = Literal[
    "little",
    "lag",
    "twin",
    "rivals",
    "extreme",
    "net",
    "charge",
    "array",
    "load",
    "through",
    "probe",
    "month",
    "total",
    "output",
    "shared",
    "sign",
    "width",
]
