"""Register maps drawn by the simulator, the readings of their displays, and who judges what was found.

judge      whether a found place is the right one, and whether anything else reads the same
plain      the obvious scan with intersection, beside which the matcher is measured
other_maps, other_course   maps and a supply of another make than the simulator's
dialogue   a person who does what is asked, in front of a simulated supply
"""
