"""The commissioning test: what is right and what is wrong with a system that has just been wired. Core pure.

    judge          all checks over a recording, and which tell nothing while another is wrong
    bank_checks    devices, battery switch, units in series, strings, the monitor's own draw
    lead_check     what the leads between controller and bank take
    array_checks   the array's path, panels in series, strings in parallel
    meter_checks   loads and metering level, the shunt's direction and side, the probe, the clock
    setting_checks the controller's set points against site file and chemistry
    array_work     the array as it works, and whether the controller takes all it gives
    cover          whether a covered string gives
    panel_curve    what a panel's label says of voltages under this light
    roles          which device plays which part; light and dark
    levels         a meter's mean and its moves, with rounding
    result         right, wrong, not to be told; titles and cautions
    acts           what the person is asked to do, in order, what is left out and why, what to put back
    notice         whether the readings show that an act was done
    recording      samples, phases, answers
    record         the record to print and to compare next year
    figures        what a record's figures are called on paper
    questions      the time, and what the controller's display shows
    keys           typed lines, taken without waiting
    sources        readings from the daemon's store, or polled by itself
    run            the conversation: ask, wait, read, judge

To add a check write a function of (Recording, Roles) in one of the `*_checks`, a row in `result.CHECKS`
and one in `judge.JUDGES`; to add an act, a row in `acts.plan`. It only reads devices."""
