"""Trials. A package, so that the processes which tests start can import the work that they do."""
