"""Why the broker would not: reason codes and exceptions as one sentence with the next step. Pure.

Source of the codes: OASIS MQTT Version 5.0, 2.4 table 2-6; a broker of MQTT 3.1.1 has six of them.
"""

from __future__ import annotations

import ssl

from logger.core.errors import RiselogError
from logger.text import one_line

FAILURE = 0x80  # MQTT 5.0, 2.4: codes from here on say that something failed

REASONS: dict[int, tuple[str, str]] = {
    0x80: ("does not say why", "look into the broker's log"),
    0x81: ("takes the packet for malformed", "report it with the broker's name"),
    0x82: ("says that the protocol was broken", "report it with the broker's name"),
    0x83: ("has a reason of its own", "look into the broker's log"),
    0x84: ("does not speak this version of MQTT", "set [mqtt] version to the other one"),
    0x85: ("does not take the client id", "let the broker take ids that begin with riselog-"),
    0x86: ("does not know this user name or password", "correct [mqtt] username and the password"),
    0x87: ("does not allow it", "check user name and password, and the broker's access list"),
    0x88: ("is not available", "nothing to do: it is tried again"),
    0x89: ("is busy", "nothing to do: it is tried again"),
    0x8A: ("has banned this client", "ask who runs the broker"),
    0x8B: ("is shutting down", "nothing to do: it is tried again"),
    0x8C: ("wants another way to log in", "let the broker take a user name and password"),
    0x8D: ("has not heard from the logger in time", "check the network"),
    0x8E: ("saw another client with the same id", "end the other logger of this job, or name another site"),
    0x90: ("does not take the topic", "check [mqtt] prefix and site against the broker's rules"),
    0x93: ("got more at once than it takes", "report it with the broker's name"),
    0x95: ("finds the message too large", "raise the broker's limit on the size of messages"),
    0x96: ("gets messages too fast", "raise the broker's limit on the rate of messages"),
    0x97: ("has no quota left", "raise the broker's quota, or clear what uses it up"),
    0x98: ("closed the connection by hand", "ask who runs the broker"),
    0x99: ("does not take the payload", "let the broker take JSON"),
    0x9A: ("keeps no retained messages", "switch them on in the broker"),
    0x9B: ("takes no messages of QoS 1", "switch QoS 1 on in the broker"),
    0x9C: ("sends us to another server", "ask which one, and set [mqtt] host"),
    0x9D: ("has moved", "ask where to, and set [mqtt] host"),
    0x9F: ("has too many connections at once", "nothing to do: it is tried again"),
}
"""Code -> what the broker does, and the next step."""

WHOLE_TOPIC = frozenset({0x87, 0x90, 0x97})
"""Refusals that will meet every record of the topic alike."""


class BrokerError(RiselogError):
    """The broker cannot be used now; the text says why and what to do. ``code`` is MQTT's, if any;
    ``by_peer``: the broker itself ended the connection."""

    exit_code = 4

    def __init__(self, text: str, code: int | None = None, *, by_peer: bool = False) -> None:
        super().__init__(text)
        self.code = code
        self.by_peer = by_peer


def refusal(code: int) -> str:
    """What a reason code means, with the next step.

    >>> refusal(0x97)
    "has no quota left (reason 0x97); raise the broker's quota, or clear what uses it up"
    """
    what, step = REASONS.get(code, REASONS[0x80])
    return f"{what} (reason 0x{code:02X}); {step}"


def tls_reason(error: ssl.SSLError) -> str:
    """What is wrong with TLS, with the next step."""
    if isinstance(error, ssl.SSLCertVerificationError):
        what = one_line(error.verify_message or str(error))
        return f"its certificate is not accepted ({what}); {_certificate_step(what)}"
    reason = one_line(error.reason or str(error)).lower().replace("_", " ")
    if "wrong version" in reason or "record layer" in reason:
        return "it does not answer with TLS; check [mqtt] port, or set tls = false"
    if "unknown ca" in reason or "certificate" in reason:
        return f"it does not accept our certificate ({reason}); check [mqtt] cert_file and key_file"
    return f"TLS failed ({reason}); check [mqtt] port and the broker's TLS settings"


def _certificate_step(what: str) -> str:
    for part, step in _CERTIFICATE_STEPS.items():
        if part in what.lower():
            return step
    return "check the broker's certificate"


_CERTIFICATE_STEPS: dict[str, str] = {
    "expired": "have it renewed, or set this computer's clock",
    "not yet valid": "set this computer's clock",
    "mismatch": "set [mqtt] host to the name in the certificate",
    "not valid for": "set [mqtt] host to the name in the certificate",
    "self-signed": "name the authority that signed it in [mqtt] ca_file",
    "self signed": "name the authority that signed it in [mqtt] ca_file",
    "unable to get": "name the authority that signed it in [mqtt] ca_file",
}
"""Words of OpenSSL -> the next step."""
