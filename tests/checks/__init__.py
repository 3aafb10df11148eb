"""Tests of the checks: `bench.py` lays a piece of a recipe over the machine in `base.yaml` and looks at it."""
