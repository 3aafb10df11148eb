"""
The picture of a run, drawn by a process of its own from the journal alone.

`axes.py` and `choreo.cli.progress` gather what is known, `state.py` says it in a word, `letters.py` has the big
letters, `picture.py` and `table.py` lay it out as plain rows, `paint.py` puts rows on a terminal, `child.py` is the
process and `process.py` what starts it. Nothing here reads the keyboard, knows a bus or can stop a machine, and nothing
that decides what is drawn looks at a clock.
"""
