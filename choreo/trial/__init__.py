"""
Many dry-runs of one recipe, over the processors: how each kind of ending came about, and what came closest.

`crew.py` spreads numbered pieces of work over processes and gives the results back in order; `rehearsal.py` is one run,
`ending.py` what is kept of it, `tally.py` what is made of all of them, `words.py` the tables. Only plain data travels
between processes. What a single run means is known below this room; nothing here sends a frame.
"""

from choreo.trial.conduct import Trial, conduct
from choreo.trial.ending import Ending
from choreo.trial.tally import Tally

__all__ = ["Ending", "Tally", "Trial", "conduct"]
