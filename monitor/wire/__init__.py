"""The wires of a small DC system: what a run loses, which conductor and which fuse it wants. Pure.

    copper   conductors by cross-section and gauge: resistance at a temperature, what they may carry
    fuses    standard sizes, and the factors between a current and the fuse that may stand in it
    run      a run and a conductor for it: voltage drop, loss, smallest size
    told     the results of a whole question, each with how it comes about and its source

Copper and direct current only. The tables cannot see how a wire is laid; local codes and a licensed person
decide. Imports nothing of the project.
"""
