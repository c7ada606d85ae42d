"""A time-series server: how readings get there, and the store that it answers.

    lines       what a store holds as line protocol; pure, and the description of the form on the server
    server      the edge for writing: influxdb-client
    query       the edge for questions: InfluxQL
    trouble     both edges' errors in plain words
    reader      the read side of a store
    documents   its records: state, numbers, events
    measured    its readings and statistics
    tracks      its channels, as a series needs them
    writer      the write side
    outgoing    its commit: out, or onto the shelf
    sending     what it has the server do, in order
    state       what it holds in memory
    shelf       what is kept on this computer
    link        when a server is tried, what is told
    landing     each reading once, days kept right
    around      what the server has around readings
    recount     what is counted anew
    hand_over   points as one request
    delivery    a refused point is found by halving
    many        all sites on a server at a look
    site_state  what one's records say; pure

`monitor.mirror` copies an embedded store there; read back, the copy answers as that store does. A site may
also have no other store (`writer`), for a logger in the same house as its server. Both write the same form,
and both kinds of store are held against the same contract (`tests/contract`).

Writes go to /api/v2/write, questions as InfluxQL through GET /query, which servers of the 1.8, 2 and 3 lines
offer. Nothing here needs what one of them lacks: one bucket without a retention policy in its name, no
continuous queries, statistics of hours and days as measurements of their own. To replace readings (a rebuild
of the estimates, a new time zone) alone takes a DELETE, which the 3 line has not. The bucket must keep what
is written for ever, since present state is stamped 1970.

What a server cannot promise: an answer of several requests from one state, and a request whole or not at
all where it is cut off itself. A request brings it from one whole state to the next (`landing`), so that sent
twice it changes nothing; `sending` says what a cut leaves and how the next start mends it.
"""
