"""Probes side by side in the same air: the live match, its answer, and what goes into the config."""
