"""Notices: what a person is told of alarms, evenings and mornings, and how it reaches them.

    noticer     the daemon's part: notices followed until they arrive or expire; displays; sign of life
    teller      what is told: transitions, repeats, summaries and tests become notices
    summary     the evening's and the morning's words, and when they are due
    lanes       one delivery at a time on each channel, in worker threads; back-off
    outbox      the store's open notices, bounded
    memory      what has been told on which channel, kept in the store
    policy      who is told when: at once, in a digest, after the quiet hours; pure
    retry       how long to wait for the next try; pure
    words       two short lines for a lock screen; pure
    trial       a test through every channel from a process of one's own
    beat        the sign of life at an address of one's own
    channels    one module for each kind of channel
    apprise_process   the process that hands one notice to the apprise library
    secrets     passwords and addresses from systemd's credentials or a file of their own

A notice is a row in the store before it is handed to a channel, and is finished there only after the
channel's answer: whatever is killed or cut off between the two is sent again and says so. Only the daemon's
main thread touches the store. May import alarms, outlook's key, sun, store, site, records, clock, errors.

A new kind of channel is a module in `channels/`, a branch in `channels.build_channel` and its keys in
`site/channel_check.py`.
"""
