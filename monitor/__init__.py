"""Nightbank's daemon side: device -> reading -> estimate -> store -> alarm -> notice.

What lives here: everything left of the pages. One file or folder is one room, and a room imports only
the rooms below it in this list (`pyproject.toml` holds the same list as a contract that CI enforces):

    manual         the manual page and the completion of the command line, as files; nothing imports it
    cli, demo      the command line; the demo that starts simulator, daemon and page as processes
    commands       what each command does, and what several share
    season_words   a season for a person
    season_document   the same for programs
    season_report  what the bank went through, was done and is due in a season, from the store
    alarm_words    alarms, their history and figures for a person
    event_words    what has happened, for a person
    now_words      what stands now, for a person
    array_report   what is wrong with the array, from the store
    care_words     what a bank needs to stay alive, for a person
    bank_words     the report on the bank for a person
    sun_words      days and the array's findings for a person
    outlook_words  the outlook for a person
    find_words     what answers on a line, for a person
    plan_words     the load plan for a person
    bank_report    stage, ledger and health of the bank, from the store
    care_report    what is to be done at bank and array, and when, from the store
    winter_report  whether the bank may stand out in the cold, from the store
    sun_report     days and the weather book, from the store
    outlook_report   the outlook of a moment, from the store
    plan_report    the load plan, from site file and store
    checkup        the commissioning test: acts, readings, what is right and what is wrong
    simulated      the simulator as a process, for the demo
    service        the daemon: the parts put together, start and stop
    timekeeper     who knows the time, and what follows in the store when it is known, or was wrong
    season         a season in figures: bank, alarms, log, array, what nobody watched; pure
    day_rows       a day as one row, from the weather book or from its sums
    plan_known     what store and site file tell a load plan: use, cold, weather, the next days
    mending        what a wrong or unknown clock has done to the store, made good step by step
    pipeline       one poll's way through all the rooms below
    rebuild        the stored history estimated anew
    close_look     readings in the store within seconds, for somebody who stands before the system
    sun_tables     the sun's tables for the coming days, kept in the store by the daemon
    day_book       each finished day's entry of the weather book, kept in the store by the daemon
    typical_year   the typical year that the site file names, kept in the store by the daemon
    outlooks       the outlook, kept in the store by the daemon
    array_look     what is wrong with the array, kept in the store by the daemon
    sun_clock      the daemon's clock held against the sun, once a day
    capacity       a capacity test: where it stands, what it gave, who is called at its end
    report_run     work that a process does which ends: its days, its outcome
    device_news    which changes of a device's state are told
    sdnotify       word to systemd
    stores         which engine holds a site's readings
    served         a time-series server: the edges to it, and the store that it answers
    mirror         readings copied to time-series servers, a process of its own
    present        which reading stands for a quantity now; the document of `nightbank now`
    notices        what a person is told, and how it reaches them: outbox and channels
    power          the computer's own supply: the dark time before, the halt ahead, the pace between
    care           the hand-written log of what people did and measured; when what is due; winter
    plan           what loads take, how long a bank lasts, what bank and array should be; pure
    alarms         rules, signs, the alarm states of the standard, what people answer
    outlook        tonight's course of charge and voltage, and the next days; pure
    sun            what a clear sky gives the array, what this sky allowed, what is wrong with the array
    store          readings, events, alarm states and notes on disk; what pages read
    sampling       the estimator's samples from readings, and its estimates as readings
    bank           charge stage, state of charge, ledger; pure
    derive         powers, net current, conversion efficiency; pure
    poll           who is due, time-outs, back-off, each device's health
    match          which register holds what, from a dump of registers and a display; pure
    devices        profiles, requests, Modbus and text lines
    site           the site file
    records        the frozen values that travel between the rooms
    quantities     canonical quantities: name, unit, sign, plausible range
    clock          time, handed in
    local_days     the local calendar: a site's time zone, and its days
    toml_lines     TOML files a person wrote, and the line of every key
    pin            the PIN behind which the page takes requests
    bill           the installation's parts as a software bill of materials; pure
    wire           copper, fuses, and how a size of wire does in a run; pure
    installed      the installation's parts: packages, licences, whether their files are as installed
    errors         the error family
    closing        what is closed at the end of a `with`
    memory         word to the C library to give memory back
    stopping       the signals that end a process
    whole_file     a text file written whole or not at all
    log_lines      the log on standard error, bounded
    cautions       what to know before touching bank, array or adapter
    terminal       how wide a text may be for a person, and text folded to that

Where the contract names several in one line they import nothing of each other: store, bank and devices;
sampling, sun, match and poll; outlook and plan; care, power and notices. What judges, keeps or tells knows
no device.

It imports neither `dashboard` nor `simulator`. To add a quantity start in `quantities.py`, a device in
`devices/profiles/`, an alarm rule in `alarms/shipped.py`, a command in `commands/`.
"""
