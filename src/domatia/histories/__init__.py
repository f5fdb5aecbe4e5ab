"""Visits become intervals, occupancy spells, state sequences and person-time."""
