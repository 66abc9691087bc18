"""How the broker is reached: from the [mqtt] table, its password and its TLS files."""

from __future__ import annotations

import os
import ssl
from dataclasses import dataclass
from pathlib import Path

from pydantic import SecretStr

from logger.config.schema import MqttTable
from logger.publish.post import Topics
from logger.publish.reasons import BrokerError
from logger.text import one_line

TLS_PORT, PLAIN_PORT = 8883, 1883  # IANA service names secure-mqtt and mqtt
_SECRET_LIMIT = 10_000  # bytes of a password file; assumed: no password is longer, a wrong file may be


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """One broker for one job."""

    table: MqttTable
    job: str

    @property
    def port(self) -> int:
        """As given, or the usual one."""
        return self.table.port or (TLS_PORT if self.table.tls else PLAIN_PORT)

    @property
    def name(self) -> str:
        """What the store knows the broker by, and the sentences call it."""
        host = self.table.host
        return f"[{host}]:{self.port}" if ":" in host else f"{host}:{self.port}"

    @property
    def topics(self) -> Topics:
        """Where the job's messages go."""
        return Topics(prefix=self.table.prefix, site=self.table.site, job=self.job)

    def client_id(self, store_id: str) -> str:
        """Design: the same at every start of the job on this computer."""
        return f"riselog-{self.table.site}-{self.job}-{store_id}"

    def password(self) -> SecretStr | None:
        """The password, read anew for each connection; ``None`` where none is named.

        Raises
        ------
        BrokerError
            It cannot be had; the text names file or variable, never a value.
        """
        table = self.table
        if table.password_env is not None:
            found = os.environ.get(table.password_env)
            if not found:
                raise BrokerError(
                    f"the environment variable {table.password_env} of [mqtt] password_env is not set; set it"
                    " where riselog is started"
                )
            return SecretStr(found)
        return None if table.password_file is None else SecretStr(_first_line(Path(table.password_file)))

    def tls_context(self) -> ssl.SSLContext | None:
        """What TLS is to check; the name in the certificate is always checked. ``None`` without TLS.

        Raises
        ------
        BrokerError
            A file cannot be used; the text names key and file.
        """
        table = self.table
        if not table.tls:
            return None
        key, path = "ca_file", table.ca_file
        try:
            context = ssl.create_default_context(cafile=table.ca_file)
            context.sslsocket_class = _ClosingSocket
            if table.cert_file is not None:
                key, path = "cert_file and key_file", f"{table.cert_file}, {table.key_file}"
                context.load_cert_chain(table.cert_file, table.key_file, password=_no_passphrase)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or getattr(error, "reason", None) or str(error)
            raise BrokerError(
                f"[mqtt] {key}: {path} cannot be used ({one_line(str(reason))}); name files in PEM format, "
                "a key without a passphrase, that you may read"
            ) from error
        return context


class _ClosingSocket(ssl.SSLSocket):
    """The client forgets a socket whose handshake fails; at one try a minute they would add up."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - the library's
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _first_line(path: Path) -> str:
    try:
        if path.stat().st_size > _SECRET_LIMIT:
            raise BrokerError(f"[mqtt] password_file: {path} is too large for a password; name another file")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as error:
        # "from None": a decoding error carries the bytes
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise BrokerError(
            f"[mqtt] password_file: {path} cannot be read ({reason}); write the password into it"
        ) from None
    lines = text.splitlines()
    if not lines or not lines[0]:
        raise BrokerError(f"[mqtt] password_file: {path} is empty; write the password into its first line")
    return lines[0]


def _no_passphrase() -> str:
    """Asked for where a key has a passphrase; nobody is there to type it."""
    raise ValueError("the key has a passphrase")
