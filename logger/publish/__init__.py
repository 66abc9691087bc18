"""Publishing to an existing MQTT broker: what the store holds, in order, and the newest picture."""
