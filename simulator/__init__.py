"""The outside world of Nightbank: a small off-grid supply that exists only as equations and wires.

It imports nothing of `monitor` or `dashboard` and packs its own registers, so that a mistake in the monitor
cannot hide here. `python -m simulator serve` presents the devices and obeys JSON lines on standard input.

    __main__       the command line
    serve          the devices put up, the control channel
    worker         a thread that serves one line
    timekeeper     simulated time; the truth file
    scenario       the scenario file, laid over the built-in marsh hide of `marsh.toml`
    tables         tables of a file as dataclasses, with errors that say where and what to do
    world          what a scenario amounts to, as frozen values
    plant          sky, array, controller, bank and loads joined; one step at a time, no clock of its own
    balance        the voltage and currents on which charge, loads and bank agree
    sky, sun       weather and irradiance; where the sun stands
    replay         a recorded irradiance or power file in place of the weather
    array          panels: one-diode model from data-sheet values
    controller     MPPT and PWM, charge stages, load disconnect
    bank, banks    what every bank has; the one a scenario asks for
    lead_acid      the lead-acid bank; `cell` has the published equations it rests on
    lithium        the LiFePO4 bank
    loads          lamps, pump, mast by schedule
    wiring         mistakes in the wiring; what hands do: switches, covered panels
    meters         what an instrument makes of a true value
    line           a pty with the pace of a real serial wire
    modbus_device  the charge controller's registers; Modbus RTU at the wire's pace
    sunspec_device the charger with the map of an open standard instead of its own
    tcp_server     the same registers over Modbus TCP
    text_device    the bank monitor's text lines
    faults         what may go wrong on request
    fleet          many sites at once, to load a time-series server: `nightbank fleet simulate`
    maps           register maps drawn at random, for judging `nightbank match`

Signs and units are those of the whole project: current into the bank is positive, units stand in the names.
To add a load or change the weather write a scenario file; to add a device, put it beside `text_device` and
enter it in `serve`; to add a fault, add its kind in `faults` and its deed where the bytes are sent.
"""
