"""Which register or field holds what: what a device said laid beside what its display showed.

    dump        the registers at several times, from a CSV file
    seen        what the display showed at some of these times, from a TOML file
    habits      what is looked for, and how devices usually write it
    columns     every register, pair and half of a register as a number over time
    candidates  the columns that agree with what was shown, in some scale and offset
    joint       all quantities at once: neighbours, common habits, no register twice
    groups      candidates that are one place, or the same value in another place
    chance      how easily something else would agree with digits that were never shown
    same_day    between which snapshots no day began
    doubt       what may speak against calling a place certain
    alike       whether a look tells a quantity from another with the same digits
    gates       when a place may be called certain
    settle      the doubts once all quantities are known: records_kept, pairs, power, counters
    asking      the one reading or act that would separate what is left
    answer      all of it put together; the document of `nightbank match --json`
    words       the answer for a person
    brief       the same in short
    profile     the answer as a profile that `monitor.devices` reads
    fields      the fields of captured lines of text as columns
    field_profile  what was found of them as a profile, and in words
    session     a match in front of the device, kept in a folder

Pure functions but for the readers of files and the session. A place is never called certain because it is the
best one, only where nothing else that a device may carry would have agreed as well. Imports errors,
quantities, records and toml_lines, for lines of text `devices.capture` and `devices.line_form`, and nothing
that needs a compiler.
"""
