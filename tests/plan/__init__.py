"""Tests of the plan: `bench.py` makes plans of recipes written for one test each."""
