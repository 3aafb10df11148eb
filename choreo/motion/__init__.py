"""
Numbers in, numbers out: motion profiles in closed form, exact scales between units and counts, arrival together.

`profile.py` has the shapes of a move and of a stop, `arrival.py` the cruise speed that makes a move last a given time,
`sync.py` what a group needs to end together, `scaling.py` the drive train. Nothing here knows of a bus, a drive, a
recipe or a clock, and the simulator computes its motions by other means, so that the two can be compared.
"""
