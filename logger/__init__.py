"""riselog: what a heating unit really delivers, from logged Bluetooth probes."""

__version__ = "0.1.0"
