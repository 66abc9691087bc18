"""Simulated or recorded probes as Bluetooth LE peripherals: the command ``play``.

``formats`` and ``script`` are pure: what is sent, and when. ``player`` follows the script on something that
sends, ``bluez`` is that on Linux. ``scene_file`` and ``command`` are the edge.
"""
