"""The site file: what the person says about place, bank, array, controller, loads, devices and alarms.

    ask         the questions of `nightbank site new` and the commented file they make
    check       what contradicts itself or the usual practice; set points in setpoints
    alarm_check, channel_check, computer_check, load_check, mirror_check, server_check   the same of one table
    service_check   what the services of systemd/ could not write or read
    load        TOML in, a Site out or every fault with its line; defaults filled in, assumptions told
    bank_file   a file with the tables of a bank alone, to run the estimator over any record
    amounts     what the system amounts to: volts, Ah, kWh, Voc in the cold, margins
    faults      pydantic's findings in plain words; units recognises a value in another unit
    chemistry   set points, compensation, charge rate and Peukert exponent by chemistry, with their sources
    model       the tables and their limits
    alarm_table, channel_tables, computer_table, inverter_table, mirror_table, server_table   some in files
    sites_file  the file of a page of many sites
    sign_names  what an alarm rule may judge beside quantities
    hours       hours of the day as a person writes them
    table       what all tables have in common

Each imports only those below it. May import errors, quantities, records, toml_lines. To add a key, add
a field to its table in `model.py`; a key that can be typed in another unit also gets a row in `units.py`;
a rule is one more function in `check.RULES`.
"""
