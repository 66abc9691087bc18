"""Simulated plant and probes: seeded, no wall clock."""
