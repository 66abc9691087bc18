"""Every error the project raises on purpose, under one root.

Bad *data* is a flag on a reading, not an error; bad *calls*, files and set-ups raise.
"""


class RiselogError(Exception):
    """Root of the project's errors; ``str(error)`` is one clear sentence for the user.

    ``exit_code`` is the process's exit code when the error ends a command.
    """

    exit_code = 1


class UsageError(RiselogError):
    """The command was called in a way that cannot work."""

    exit_code = 2


class ConfigError(RiselogError):
    """A config file cannot be used; the text names file, line and key."""

    exit_code = 2


class TableError(RiselogError):
    """A readings file cannot be used; the text names file and line."""

    exit_code = 2


class DecodeError(RiselogError):
    """A probe sent bytes that do not follow its format.

    ``payload`` is kept as hex for the log. The driver goes on with the next packet.
    """

    def __init__(self, text: str, payload: bytes = b"") -> None:
        super().__init__(text)
        self.payload = payload.hex()


class DriverError(RiselogError):
    """A driver cannot do its work at all (no radio, no permission)."""

    exit_code = 4


class StoreError(RiselogError):
    """The store cannot be opened or written."""

    exit_code = 4


class UnknownRunError(RiselogError):
    """No stored run, or more than one, answers to the given name."""

    exit_code = 2
