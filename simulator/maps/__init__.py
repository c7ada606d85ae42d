"""Register maps drawn at random: devices that nobody has a list for, with displays to read beside them.

    course    a random small supply through some days: what is true, its extremes and counters
    words     numbers into registers: halves, one and two registers, floats, word orders
    layout    a register map: which register holds what, and a snapshot of it
    maker     draws a map of many habits, ordinary or nasty, from a seed
    scatter   draws maps of other habits: no blocks, fields strewn by unit, function or chance
    records   draws maps of records: each quantity's value among its own limits and extremes
    display   the digits that the device's display shows, a moment late, rounded or cut off
    case      one seed put together: course, map, dump file and what the display showed
    device    the same map served over Modbus RTU on a pty and over Modbus TCP

Every layout is invented here from chances; none is a real device's. A map knows where each quantity lives, so
that whoever looks for it can be judged. Like the rest of the simulator it imports nothing of `monitor`.
"""
