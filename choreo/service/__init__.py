"""
A session on the real bus without a recipe's steps: what an engineer asks of a machine beside running it.

    link_check.py    which nodes answer, how fast, how steadily, and who else is on the bus
    bench.py, peers.py, ear.py  what it works with: a session that may only ask, the nodes, what passes on the bus
    reporting.py, link_figures.py  from what was counted to figures
    link_verdict.py, link_text.py  what they mean; as text and as JSON
    others.py        what another host says to this machine
    stop.py          a stop through the process that has the machine, and what became of it

A service gets a plan, for what is known of the nodes, and an open link; it never reads a recipe, never opens an adapter
and prints nothing. Whatever it sends passes the guard, as in a run. It never moves an axis and never gives one power.
"""
