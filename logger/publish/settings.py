"""How the broker is reached: from the [mqtt] table, its password and its TLS files; and why it would not, in
the words of that table.
"""

from __future__ import annotations

import os
import ssl
from dataclasses import dataclass
from pathlib import Path

from pydantic import SecretStr

from logger import mqtt_reasons
from logger.config.schema import MqttTable
from logger.core.errors import RiselogError
from logger.mqtt_link import PLAIN_PORT, TLS_PORT, first_line, show_certificate, tls_context
from logger.publish.post import Topics
from logger.text import one_line

AT = "[mqtt] "  # before the keys that a next step names

BLIND = "MQTT 3.1.1 tells no refusals: a broker that drops messages is not seen; use version 5"


class BrokerError(RiselogError):
    """The broker cannot be used now; the text says why and what to do. ``code`` is MQTT's, if any;
    ``by_peer``: the broker itself ended the connection; ``news`` is what makes it the same trouble."""

    exit_code = 4

    def __init__(self, text: str, code: int | None = None, *, by_peer: bool = False, news: str = "") -> None:
        super().__init__(text)
        self.news = news or text
        self.code = code
        self.by_peer = by_peer


def refusal(code: int) -> str:
    """What a reason code means, with the next step.

    >>> refusal(0x97)
    "has no quota left (reason 0x97); raise the broker's quota, or clear what uses it up"
    """
    return mqtt_reasons.refusal(code, AT)


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
    def key(self) -> str:
        """What the store knows the broker by: its address may be corrected, the backlog stays its own."""
        return self.table.name

    @property
    def name(self) -> str:
        """What the sentences call it: its address."""
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
        return None if table.password_file is None else SecretStr(_secret(Path(table.password_file)))

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
            context = tls_context(table.ca_file)
            if table.cert_file is not None:
                key, path = "cert_file and key_file", f"{table.cert_file}, {table.key_file}"
                show_certificate(context, table.cert_file, table.key_file)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or getattr(error, "reason", None) or str(error)
            raise BrokerError(
                f"[mqtt] {key}: {path} cannot be used ({one_line(str(reason))}); name files in PEM format, "
                "a key without a passphrase, that you may read"
            ) from error
        return context


def _secret(path: Path) -> str:
    step = "write the password into its first line"
    try:
        return first_line(path)
    except OSError as error:
        text = f"[mqtt] password_file: {path} cannot be read ({error.strerror}); {step}"
        raise BrokerError(text) from error
    except ValueError as error:
        raise BrokerError(f"[mqtt] password_file: {path} {error}; {step}") from None
