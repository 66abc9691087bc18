"""Probes that follow the Bluetooth SIG's Environmental Sensing Service."""
