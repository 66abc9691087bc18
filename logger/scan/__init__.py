"""``riselog scan``: Bluetooth devices in reach, and what they measure."""
