"""Nightbank's page: it reads the store through `monitor`'s public read side and never talks to a device.

The process and what stands before the pages:

    many        the page of many sites, a room of its own: it imports those below and none of them it
    cli         the command `nightbank page`
    server      the page process: site file, store, web server
    app         the web app: pages and their addresses, files, headers
    crowd       no one address can hold so many connections that others are kept out
    gate        what stands before every answer: names, addresses, the PIN for reading, headers
    writing     where forms are taken that ask something of the daemon
    door        where the page is unlocked and locked, and what every form must be
    calm        faults and refusals as calm pages
    asking      a request left for the daemon, and what became of it
    api         the addresses for other programs: JSON under /api/v1/, OpenMetrics text under /metrics
    openapi     the description of those addresses for programs
    frame       the HTML around every page
    phone       what page and phone tell each other beside the pages: light, form of numbers, home screen
    callback_door   what Dash's scripts may send; pure
    doors       what every request must be, and where it may come from; pure
    hosts       by which names this computer may be asked; pure
    styles      the style elements of others, by their hashes
    scripts     the scripts of Dash's page as one file without what nobody uses
    sheet       the style sheet within a page, for a phone that comes for the first time
    shared      one answer for all who ask for the same at once
    packed      answers in gzip
    files       the addresses of the files
    library     scripts of others, served as they are (its README says from where)

The pages and their parts:

    pages       one file a page; pages.base is what a page is, for all that are above or below
    calls       the alarms that cover the page and sound
    tonight_parts   the sections of the page 'Tonight'
    care_due, care_forms, clock_part, winter_part   the sections of the page 'Care'
    found       how another phone finds the page, as a part of a page
    documents   what the store knows as plain data for JSON
    metrics     what stands now as OpenMetrics text
    csv_files   the figures behind each picture as CSV
    strip_picture   a quantity over the span of a closer look, as a picture; pure
    strips      the same as values, and what to say of it
    summary     what was stored now -> sentence, rows, ages; pure
    bank_sentence   the one sentence on the bank; pure
    watched_test    the capacity test that somebody has begun, in a line; pure
    charge      the state of charge as one figure with its band; pure
    dark_times  when nobody watched, in the days that a page shows
    day_pictures, sun_pictures   the days and the sun's hours as pictures
    report      a period on one sheet: figures, alarms, care
    plan_rows   what the page Plan says of the load plan
    alarm_rows  the alarms: what stands, what has happened, how they do
    day_line    the last day as two plots without a script; pure
    figures     what was stored over time -> a chart as plain data, and the same facts in words; pure
    values      one quantity as the page shows it; pure
    snapshot    the questions to the store, all of one refresh at once
    night       the night line and its words; pure
    look        light, dark and night, and the choice of them; pure
    dusk        sunset and sunrise at the site: is it night, and when does it turn
    care_rows   the hand-written log as the page tells it, and what is typed into its forms; pure
    days        the days of a period: rows, and what they say together
    view        which quantities and time a closer look shows, and the steps from there; pure

What they are made of:

    forms       what a page with forms is made of, and what its visitor may do now
    lock        the page's lock: its PIN, who is unlocked
    sessions    who is unlocked, and the one-time tokens of forms
    tries       the limit on wrong PINs
    notices     a framed line before all else
    daemon      whether the daemon lives, and what to say where it does not; pure
    fresh       what has changed on an open page
    markup      the page's tree as HTML; pure
    field, picture  the Dash components for an HTML input and for SVG text
    into        the Dash component that draws into a place of the standing page
    tags        HTML elements for what Dash never draws; pure
    svg         a plot as SVG text; pure
    address     where a phone finds the page: number, name, QR code
    light       Dash without what it imports for figures that the page never has
    asked       what an address asks for, checked; pure
    time_marks  times under a picture, from years to seconds; pure
    words       numbers, ages and times as a person reads them; pure
    languages   how phones of a language write numbers and times; pure
    local       the marks of numbers, the clock and the order of dates as the phone has them; pure

A module imports only those below it in this list; that none imports one that imports it is a contract in
`pyproject.toml`. Nothing here imports `simulator` or a device room. To add a page write
`pages/<name>.py` with a `Page` and put it into `pages.PAGES`.
"""

import mimetypes

mimetypes.knownfiles.clear()  # the system's lists of types take 0.3 MB of a page process; Python's own does
