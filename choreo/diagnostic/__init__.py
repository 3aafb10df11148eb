"""
Findings as data; the renderings (text with source lines, one line, JSON) are made of the same value elsewhere here.
"""

from choreo.diagnostic.finding import Finding, Level, Mark, Span

__all__ = ["Finding", "Level", "Mark", "Span"]
