"""
Findings as data; the renderings (text with source lines, one line, JSON) are made of the same value elsewhere here.

Here lives what a finding is, the order of several, the exception that refuses a file, the near miss. Which findings
there are is not known here. Renderings are imported from `choreo.diagnostic.render`, where they are wanted.
"""

from choreo.diagnostic.finding import Finding, Level, Mark, Span
from choreo.diagnostic.near import did_you_mean, near_miss
from choreo.diagnostic.refusal import Refused

__all__ = ["Finding", "Level", "Mark", "Refused", "Span", "did_you_mean", "near_miss"]
