"""From wire to readings: profiles say where quantities live, links fetch registers or lines.

`profile.py` the register map as data, `words.py` encodings, `planner.py` the fewest and cheapest requests,
`link.py` the seam to the wire, `rtu.py` and `tcp.py` Modbus, `textline.py` serial text, `device.py` one
device's poll, `profiles/` the shipped profiles. May import site, records, quantities, clock, errors.
A new kind of device is a new file in `profiles/`; a new kind of wire answers `link.RegisterLink`.
"""
