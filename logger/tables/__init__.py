"""Readings as CSV: what `export` writes and `replay` takes."""

from logger.tables.read import ReadingsTable, read_readings
from logger.tables.write import write_readings, write_trace

__all__ = ["ReadingsTable", "read_readings", "write_readings", "write_trace"]
