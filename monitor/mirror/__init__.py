"""Mirrors: a store copied to time-series servers, readings or all of it, while it stays the truth itself.

    run         the process: a thread for each mirror, until stopped; or once
    sender      one mirror: batch after batch, pace, back-off
    news        how its state goes on, and what of it a person is told
    record_course  which records a server has still to be given
    eraser      takes out of the copy what was replaced in the store
    book        what is known of each mirror, in a small file beside the store
    state       the frozen values that the book keeps
    status      how far each mirror is, for the command line

What there is to give, and in which order, is `monitor.store.mirrored`'s to say; line protocol and the edge to
a server are `monitor.served`'s. influxdb-client takes as much memory as the whole daemon, so only this
process imports it. Readings go in order of time, the oldest first:
one time a channel says how far a server has come, servers pack what comes in order best, and after weeks
offline the catch-up takes minutes (a week of three devices every 5 s: 12 minutes at 500 lines a second).
"""
