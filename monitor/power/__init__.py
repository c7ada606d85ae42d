"""What the bank's own supply means to the computer: the halt before it ends, the dark time after, the pace.

`halting.py` asks the system to halt, by a file that only root's own unit acts on; `darkness.py` tells after a
start how long nobody watched and what the bank did meanwhile, and `dark_note.py` keeps it; `pace.py` says how
seldom devices are polled at night and on a low bank. None of it reaches a device.
"""
