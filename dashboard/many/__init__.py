"""The page of many sites, away from them: it asks the server where their copies are, in the order of need.

    cli       the command `nightbank sites`
    serve     the process: the file that describes it, the web server
    app       the web app: its addresses, headers, calm refusals
    one       the page of one site
    listing   the page that lists all
    lines     the list for a terminal and for programs
    rows      what is told of each site, in the words of its own page; pure

A room imports only the rooms below it in this list, and those of `dashboard`. Nothing here can write: the
server is asked and never told.
"""
