"""How the broker is reached: from the [mqtt] table, its password and its TLS files; and why it would not, in
the words of that table.
"""

from __future__ import annotations

import ssl
from dataclasses import dataclass

from pydantic import SecretStr

from logger import mqtt_reasons
from logger.config.schema import MqttTable
from logger.core.errors import RiselogError
from logger.mqtt_link import PLAIN_PORT, TLS_PORT, Access, AccessError
from logger.publish.post import Topics

AT = "[mqtt] "  # before the keys that a next step names

BLIND = "MQTT 3.1.1 tells no refusals: a broker that drops messages is not seen; use version 5"


class BrokerError(RiselogError):
    """The broker cannot be used now; the text says why and what to do. ``code`` is MQTT's, if any;
    ``by_peer``: the broker itself ended the connection; ``news`` is what makes it the same trouble;
    ``quiet``: it was to be expected, and is no outage."""

    exit_code = 4

    def __init__(self, text: str, code: int | None = None, *, by_peer: bool = False, news: str = "") -> None:
        super().__init__(text)
        self.quiet = False
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
        try:
            found = self._access.password()
        except AccessError as error:
            raise BrokerError(str(error)) from error
        return None if found is None else SecretStr(found)

    def open_secrets(self) -> tuple[str, ...]:
        """Remarks on files with a secret that every user of this computer may read."""
        return self._access.open_secrets()

    def tls_context(self) -> ssl.SSLContext | None:
        """What TLS is to check; the name in the certificate is always checked. ``None`` without TLS.

        Raises
        ------
        BrokerError
            A file cannot be used; the text names key and file.
        """
        try:
            return self._access.tls_context()
        except AccessError as error:
            raise BrokerError(str(error)) from error

    @property
    def _access(self) -> Access:
        table = self.table
        return Access(
            at=AT,
            tls=table.tls,
            ca_file=table.ca_file,
            cert_file=table.cert_file,
            key_file=table.key_file,
            password_file=table.password_file,
            password_env=table.password_env,
        )
