"""The care of bank and array: what people did and measured, written down by hand; what a bank needs.

    keeper    in the daemon: what people ask to have written, done once a second
    entry     what may stand in the log, checked; pure
    digits    ampere hours in words; pure
    numbers   the numbers that an entry may hold, each checked; pure
    gravity   what a hydrometer's readings of the cells say; pure
    units     what the voltages of single batteries say; pure
    runs      the discharges in a record of the bank's current; pure
    stopping  when to stop a capacity test; pure
    known     what is known of the bank's capacity: rated, learnt, tested
    capacity  what a discharge tells of the capacity; pure
    due       when an act of care is due, by calendar, use and what was found; pure
    water     what overcharge takes of the water; pure
    howto     how each act is done, and what to mind
    winter    the charge that keeps a standing bank from freezing, and how long it has it; pure
    winter_told   the same as a document; pure
    winter_words  the document in sentences; pure

People leave requests of the kinds 'log' and 'edit log' in the store (page or command line), the daemon alone
writes the log. The estimator does not read it.
"""
