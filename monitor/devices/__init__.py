"""From wire to readings: profiles say where quantities live, links fetch registers or lines.

`profile.py` what a profile holds, `profile_file.py` profiles from TOML (`profile_entries.py` their keys,
`profile_checks.py` what must fit together), `profiles/` the shipped ones; `words.py` registers to values,
`planner.py` the fewest and cheapest requests; `link.py` the seam to the wire, `rtu.py` and `tcp.py` Modbus
(`modbus.py` their frames, `owed.py` which answers are still to come, `hearing.py` what was heard, `timing.py`
how long it takes, `advice.py` what a person is told), `port.py` a serial port, `textline.py` serial text,
`line_time.py` the time that it tells;
`registers.py` and `text_device.py` one device's poll, `health.py` how it has been answering, `device.py`
the lines of a site; `sunspec/` devices that tell by themselves where everything lies. For devices nobody has
described: `ports.py` the serial ports, `overheard.py` what a line says unasked, `finding.py` who answers,
`asking.py` one question after the other, `search.py` where there are registers, `places.py` what was learnt
of it, `scan.py` snapshots, `dump.py` their file; `capture.py` lines of text in a file, `recorder.py` who
writes it, `line_form.py` how they are written. May import site, records, quantities, clock, toml_lines,
errors. A new kind of device is a new file in `profiles/`; a new kind of wire answers `link.RegisterLink`.
"""
