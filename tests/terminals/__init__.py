"""
Real processes in real time: `choreo sim` in one terminal, `choreo run` and the others in a second one, signals and
pulled plugs in between. Nothing here judges a duration; every wait ends with an event, or with the test.
"""
