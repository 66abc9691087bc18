"""Drivers: radios and gateways -> samples. Found by the entry-point group `riselog.drivers`."""
