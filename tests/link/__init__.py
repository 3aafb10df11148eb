"""Tests of the live link against made-up buses and of traces: no device, no simulation."""
