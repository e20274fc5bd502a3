"""Programmes for tests: one trap at a time, light tank-seasons, outcomes without a store, the kept sample.

All stand on the simulator that writes the demo; no command and no report calls them.
"""
