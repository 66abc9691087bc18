"""Why a broker would not: reason codes and exceptions as one sentence with the next step. Pure.

For the publisher and for drivers, which make one printable line of what comes from outside. ``at`` is
what stands before a key that the step names: ``"[mqtt] "`` where that is a table of the config.

Source of the codes: OASIS MQTT Version 5.0, 2.4 table 2-6; a broker of MQTT 3.1.1 has six of them.
"""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from typing import NamedTuple

from logger.mqtt_link import CLOSED, reason_code_of

FAILURE = 0x80  # MQTT 5.0, 2.4: codes from here on say that something failed
AGAIN = "nothing to do: it is tried again"

REASONS: dict[int, tuple[str, str]] = {
    0x80: ("does not say why", "look into the broker's log"),
    0x81: ("takes the packet for malformed", "report it with the broker's name"),
    0x82: ("says that the protocol was broken", "report it with the broker's name"),
    0x83: ("has a reason of its own", "look into the broker's log"),
    0x84: ("does not speak this version of MQTT", "set {at}version to the other one"),
    0x85: ("does not take the client id", "let the broker take ids that begin with riselog-"),
    0x86: ("does not know this user name or password", "correct {at}username and the password"),
    0x87: ("does not allow it", "check the broker's access list for this user"),
    0x88: ("is not available", AGAIN),
    0x89: ("is busy", AGAIN),
    0x8A: ("has banned this client", "ask who runs the broker"),
    0x8B: ("is shutting down", AGAIN),
    0x8C: ("wants another way to log in", "let the broker take a user name and password"),
    0x8D: ("has not heard from the logger in time", "check the network"),
    0x8E: ("saw another client with the same id", "end the other logger of this job, or name another site"),
    0x90: ("does not take the topic", "check {at}prefix and site against the broker's rules"),
    0x93: ("got more at once than it takes", "report it with the broker's name"),
    0x95: ("finds the message too large", "raise the broker's limit on the size of messages"),
    0x96: ("gets messages too fast", "raise the broker's limit on the rate of messages"),
    0x97: ("has no quota left", "raise the broker's quota, or clear what uses it up"),
    0x98: ("closed the connection by hand", "ask who runs the broker"),
    0x99: ("does not take the payload", "let the broker take JSON"),
    0x9A: ("keeps no retained messages", "switch them on in the broker"),
    0x9B: ("takes no messages of QoS 1", "switch QoS 1 on in the broker"),
    0x9C: ("sends us to another server", "ask which one, and set {at}host"),
    0x9D: ("has moved", "ask where to, and set {at}host"),
    0x9F: ("has too many connections at once", AGAIN),
}
"""Code -> what the broker does, and the next step."""

LOGIN_REASONS: dict[int, tuple[str, str]] = {
    0x87: ("does not let this user in", "check {at}username, the password, and whom the broker lets in"),
    0x97: ("has no quota left for this user", "raise the broker's quota, or end other clients of this user"),
}
"""The same where it refuses the connection itself and means something else by it."""

_CERTIFICATE_STEPS: dict[str, str] = {
    "expired": "have it renewed, or set this computer's clock",
    "not yet valid": "set this computer's clock",
    "mismatch": "set {at}host to the name in the certificate",
    "not valid for": "set {at}host to the name in the certificate",
    "self-signed": "name the authority that signed it in {at}ca_file",
    "self signed": "name the authority that signed it in {at}ca_file",
    "unable to get": "name the authority that signed it in {at}ca_file",
}
"""Words of OpenSSL -> the next step."""


class Trouble(NamedTuple):
    """Why there is no connection: ``what`` completes "the broker ...", ``step`` comes next.

    ``code`` is MQTT's, if any; ``lasting``: somebody must mend something first.
    """

    what: str
    step: str
    code: int | None = None
    lasting: bool = False


def refusal(code: int, at: str) -> str:
    """What a reason code means, with the next step.

    >>> refusal(0x86, "[mqtt] ")
    'does not know this user name or password (reason 0x86); correct [mqtt] username and the password'
    """
    what, step = _reason(code, at, REASONS)
    return f"{what}; {step}"


def _reason(code: int, at: str, reasons: Mapping[int, tuple[str, str]]) -> tuple[str, str]:
    what, step = reasons.get(code, REASONS[FAILURE])
    return f"{what} (reason 0x{code:02X})", step.format(at=at)


def trouble(error: BaseException, at: str) -> Trouble:
    """Why the broker cannot be used, of what the client library raised while it connected."""
    if (code := reason_code_of(error)) is not None:
        what, step = _reason(code, at, REASONS | LOGIN_REASONS)
        lasting = step not in (AGAIN, REASONS[FAILURE][1])
        return Trouble(f"refuses the connection: it {what}", step, code, lasting)
    cause = error.__context__ or error  # the library hides it, and its class says more than its text
    if isinstance(cause, TimeoutError):
        return Trouble("gives no answer", f"check {at}host, port and tls, the network, and that it runs")
    if isinstance(cause, ssl.SSLError):
        what, step = _tls(cause, at)
        return Trouble(f"cannot be trusted or reached: {what}", step, lasting=True)
    if isinstance(cause, ConnectionResetError | BrokenPipeError):
        return Trouble(_UNANSWERED, _UNANSWERED_STEP.format(at=at))
    if isinstance(cause, OSError):
        reason = cause.strerror or str(cause)
        step = f"check {at}host, port and tls, the network, and that the broker runs"
        return Trouble(f"cannot be reached ({reason})", step)
    if CLOSED in str(error):
        return Trouble(_UNANSWERED, _UNANSWERED_STEP.format(at=at))
    return Trouble(f"cannot be used ({error})", "look at its log")


_UNANSWERED = "closes the connection before it answers"
_UNANSWERED_STEP = (
    "check {at}port, tls (false for a broker without it), version, and whether it wants a client certificate"
)


def _tls(error: ssl.SSLError, at: str) -> tuple[str, str]:
    """What is wrong with TLS, and the next step."""
    if isinstance(error, ssl.SSLCertVerificationError):
        what = error.verify_message or str(error)
        return f"its certificate is not accepted ({what})", _certificate_step(what).format(at=at)
    reason = (getattr(error, "reason", None) or str(error)).lower().replace("_", " ")
    if "wrong version" in reason or "record layer" in reason:
        return "it does not answer with TLS", f"check {at}port, or set tls = false"
    if "unknown ca" in reason or "certificate" in reason:
        return f"it does not accept our certificate ({reason})", f"check {at}cert_file and key_file"
    if "eof" in reason:
        return f"it {_UNANSWERED}", _UNANSWERED_STEP.format(at=at)
    return f"TLS failed ({reason})", f"check {at}port and the broker's TLS settings"


def _certificate_step(what: str) -> str:
    found = (step for part, step in _CERTIFICATE_STEPS.items() if part in what.lower())
    return next(found, "check the broker's certificate")
