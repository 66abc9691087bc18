"""The store: one SQLite file for each job. One process writes, any number read.

Nothing but SQLite may open a store's file in a process that uses the store: closing it again
would take SQLite's locks away (sqlite.org/howtocorrupt.html 2.2).
"""

from logger.store.faults import StoreBusyError, StoreFullError, StoreHeldError
from logger.store.health import StoreHealth
from logger.store.insert import check_header
from logger.store.paths import all_stores, data_folder, is_file, remember, store_path
from logger.store.reader import StoreReader
from logger.store.records import (
    Batch,
    ClockSegment,
    CursorMove,
    Drop,
    OutboxMark,
    RunEnd,
    RunHeader,
    RunRow,
    StorageGap,
    StoredEvent,
    StoredResult,
)
from logger.store.thread import WriterThread
from logger.store.writer import StoreWriter

__all__ = [
    "Batch",
    "ClockSegment",
    "CursorMove",
    "Drop",
    "OutboxMark",
    "RunEnd",
    "RunHeader",
    "RunRow",
    "StorageGap",
    "StoreBusyError",
    "StoreFullError",
    "StoreHealth",
    "StoreHeldError",
    "StoreReader",
    "StoreWriter",
    "StoredEvent",
    "StoredResult",
    "WriterThread",
    "all_stores",
    "check_header",
    "data_folder",
    "is_file",
    "remember",
    "store_path",
]
