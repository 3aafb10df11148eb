"""
The picture of a run, drawn by a process of its own from the journal alone.

    process.py, child.py  what starts that process, and the process itself
    axes.py, views.py     what is known of axes, steps and replies (`choreo.cli.progress` gathers it)
    state.py, letters.py  what it does in one word; big letters
    picture.py, table.py, rows.py  the whole, laid out as plain rows
    paint.py, modes.py    rows on a terminal; a terminal given back as it was
    clock.py              the clock on the wall
    leaving.py            how somebody who only looks on leaves (`choreo watch`)

Nothing here knows a bus or can stop a machine. What draws never reads the keyboard, and nothing that decides what is
drawn looks at a clock.
"""
