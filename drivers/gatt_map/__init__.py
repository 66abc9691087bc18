"""Probes that a declarative map describes: a TOML file says where in which packet each value stands."""
