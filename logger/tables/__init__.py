"""Readings as CSV: what `export` writes and `replay` takes. Parquet, an extra, is a module of its own."""

from logger.tables.read import ReadingsTable, read_readings
from logger.tables.write import ReadingsDigest, readings_sha256, write_readings, write_trace

__all__ = [
    "ReadingsDigest",
    "ReadingsTable",
    "read_readings",
    "readings_sha256",
    "write_readings",
    "write_trace",
]
