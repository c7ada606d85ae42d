"""From wire to readings: profiles say where quantities live, links fetch registers or lines.

What a device is:
    device           the lines of a site, and what the poll loop knows of each device
    registers        a device that is read register by register
    text_device      one that sends lines of text by itself
    sunspec/         one that tells by itself where everything lies
    health           how a device has been answering

Profiles:
    profile          what a profile holds
    profile_file     profiles from TOML; profile_entries their keys, profile_checks what must fit together
    profiles/        the shipped ones
    words            registers to numbers, numbers to values
    planner          the fewest and cheapest requests
    textline         lines of text: what to believe of them; line_time the time that they tell

Wires:
    link             the seam: one thing that reads registers, and never writes
    rtu, tcp         Modbus over a serial line and over a network
    modbus           what both share: frames, refusals
    owed             which answers are still to come
    hearing          what was heard on a serial line; timing how long an exchange takes on it
    port             a serial port
    advice           what a person is told of a line

For devices that nobody has described:
    ports            the serial ports of this computer
    overheard        what a line says unasked; finding who answers on it
    asking           one question after the other
    search           where there are registers; places what was learnt of it
    scan             snapshots of them; dump their file
    capture          lines of text in a file; recorder who writes it, line_form how they are written

May import site, records, quantities, clock, toml_lines, errors. A new kind of device is a new file in
`profiles/`; a new kind of wire answers `link.RegisterLink`.
"""
