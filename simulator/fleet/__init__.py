"""Many sites at once, for loading a time-series server as they would: `nightbank fleet simulate`.

    cli       the command
    plan      what is asked for: how many sites, from when to when, how often; the names of what is sent
    courses   the handful of plants that the sites' readings are made of
    site      one site: what is its own, its readings, its lines
    loading   the sites' days: who sends when, who is offline, what is tried again
    link      the edge: influxdb-client, its errors in plain words
    check     reads back through InfluxQL whether every point is there once
    report    what a run amounted to, for a person and for programs

A thousand plants would cost more than what they are to load, so the sites share a handful, which run with the
simulator's whole physics, a minute a step (`plant`). A site is one of these `size` times as large in every
part, which has the same voltages and `size` times the currents, and with twice as much in series where it is
of 24 V; it lives through other days of it, and by the sun of its own longitude. Its meters are its own:
gain, offset, noise and rounding. Between two minutes a course is a straight line, which only matters where
sites are polled more often.

What is not in it: the sites' requests go over a few connections in turn, so that a server's memory for a
thousand open ones is not tried.
"""
