"""Tests of the simulator: `choreo_sim`."""
