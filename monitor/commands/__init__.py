"""The commands of `nightbank`: a module for each, of the same name; `monitor.cli` puts them together.

A module imports what its command needs when that runs, so that the command line starts at once. `tables` has
export and import. Parts of commands, and what several share:

    match_files   `match` from a dump or a log of lines
    match_live    the dialogue of `match` before a device, match_text before one that sends lines by itself
    aside         what `clock` tells of readings that were set aside
    line          how the line to a device is named and set, for scan, match and find
    asked         the site file that a command is about; a request to the daemon, and its answer
    parts         usual arguments and options, typed moments, days and amounts, a progress bar
"""
