"""Alarms: rules over what was stored, their states kept in the store.

    watch        all of it in the daemon: judges, answers requests, keeps states and transitions
    suppression  which alarms are only consequences
    requests     what people ask, and its outcome
    engine       the state machine of the standard; pure
    telling      what a transition says to a person
    standing     how alarms that stand are read, and in which order
    rules        the site's rules
    shipped      those that every site starts with
    rule         what a rule is
    seen         what a sign shows
    signs        signs of the bank, judged with each reading
    slow_signs   signs judged once a minute
    slow_look    what those are worked out from
    course       the last two hours in means
    supply       how near the end of the computer's supply is
    computer     signs of the computer, from the kernel
    figures      how the alarms do, as the standard asks
    capacity_test   a capacity test that somebody has begun: its note and its signs

May import sun, store, sampling, bank, site, records, quantities. A new rule is a row in `shipped.py` or an
[[alarms]] table of the site file; a new sign a row in `site/sign_names.py` and a function here.
"""
