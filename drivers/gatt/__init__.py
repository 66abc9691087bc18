"""What every driver does that keeps a GATT connection to its probes."""
