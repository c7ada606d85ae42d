"""What the bank's own supply means to the computer: the halt before it ends, the dark time after, the pace.

    keeper     all of it in one hand, for the daemon's main loop
    halting    asks the system to halt, by a file that only root's own unit acts on
    darkness   tells after a start how long nobody watched, and what the bank did meanwhile
    dark_note  keeps that
    pace       how seldom devices are polled at night and on a low bank

None of it reaches a device.
"""
