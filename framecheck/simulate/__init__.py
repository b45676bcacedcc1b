"""Simulate: a night with known faults, for the demo and for trying things."""
