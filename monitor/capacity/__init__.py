"""A test of the bank's capacity, from the store: where it stands, what it gave, and who is called at its end.

    report  what one discharge tells of the capacity, as a document
    course  how a discharge that goes on stands, and when it is to stop
    guide   a test step by step, as a document
    words   both documents for a person
    watch   in the daemon: a test that somebody has begun

What is pure of it stands in `care/`, the note and the alarms of a begun test in `alarms/capacity_test.py`.
"""
