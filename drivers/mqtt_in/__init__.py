"""Readings that a gateway or a building system sends to an MQTT broker, read by a declarative map."""
