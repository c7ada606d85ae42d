"""Nightbank's page: it reads the store through `monitor`'s public read side and never talks to a device.

    many        the page of many sites, a room of its own: it imports those below and none of them it
    cli         the command `nightbank page`
    server      the page process: site file, store, web server
    crowd       no one address can hold so many connections that others are kept out
    app         the web app: pages and their addresses, files, headers
    gate        what stands before every answer: names, addresses, the PIN for reading, headers
    writing     where forms are taken that ask something of the daemon
    door        where the page is unlocked and locked, and what every form must be
    calm        faults and refusals as calm pages
    asking      a request left for the daemon, and what became of it
    api         the addresses for other programs: JSON under /api/v1/, OpenMetrics text under /metrics
    openapi     the description of those addresses for programs
    metrics     what stands now as OpenMetrics text
    documents   what the store knows as plain data for JSON
    asked       what an address asks for, checked; pure
    callback_door   what Dash's scripts may send; pure
    doors       what every request must be, and where it may come from; pure
    hosts       by which names this computer may be asked; pure
    frame       the HTML around every page
    phone       what page and phone tell each other beside the pages: light, form of numbers, home screen
    styles      the style elements of others, by their hashes
    look        light, dark and night, and the choice of them; pure
    library     scripts of others, served as they are (its README says from where)
    day_line    the last day as two plots without a script; pure
    svg         a plot as SVG text; pure
    fresh       what has changed on an open page
    picture     the Dash component that shows SVG text
    markup      the page's tree as HTML; pure
    tags        HTML elements for pages that Dash never draws; pure
    packed      answers in gzip
    found       how another phone finds the page, as a part of a page
    address     where a phone finds the page: number, name, QR code
    pages       one file a page, each made from the rooms below
    forms       what a page with forms is made of, and what its visitor may do now
    lock        the page's lock: its PIN, who is unlocked
    sessions    who is unlocked, and the one-time tokens of forms
    tries       the limit on wrong PINs
    field       the Dash component for an HTML input
    care_rows   the hand-written log as the page tells it, and what is typed into its forms; pure
    calls       the alarms that cover the page and sound
    notices     a framed line before all else
    alarm_rows  the alarms: what stands, what has happened, how they do
    plan_rows   what the page Plan says of the load plan
    files       the addresses of the files
    csv_files   the figures behind each picture as CSV
    report      a period on one sheet: figures, alarms, care
    strips      a quantity over the span of a closer look, and what to say of it
    strip_picture   the same as a picture; pure
    view        which quantities and time a closer look shows, and the steps from there; pure
    days        the days of a period: rows, and what they say together
    day_pictures, sun_pictures   the days and the sun's hours as pictures
    night       the night line and its words; pure
    figures     what was stored over time -> a chart as plain data, and the same facts in words; pure
    summary     what was stored now -> sentence, rows, ages; pure
    daemon      whether the daemon lives, and what to say where it does not; pure
    values      one quantity as the page shows it; pure
    snapshot    the questions to the store, all of one refresh at once
    dusk        sunset and sunrise at the site: is it night, and when does it turn
    time_marks  times under a picture, from years to seconds; pure
    words       numbers, ages and times as a person reads them; pure
    local       the marks of numbers, the clock and the order of dates as the phone has them; pure

A room imports only the rooms below it in this list. Nothing here imports `simulator` or a device room. To
add a page write `pages/<name>.py` with a `Page` and put it into `pages.PAGES`.
"""

import mimetypes

mimetypes.knownfiles.clear()  # the system's lists of types take 0.3 MB of a page process; Python's own does
