"""What an error says of a door that was called: of TLS, told from OpenSSL's own codes, or of a call that nobody took."""

from __future__ import annotations

import socket
import ssl

from bridge.errors import SettingsError
from bridge.lifecycle.answers import DoorFault, Silence, no_answer
from bridge.model import Acknowledgement

CALL_FAULTS = (OSError, TimeoutError, SettingsError, ValueError)  # all that calling somebody may raise

# X509_verify_cert_error_string(3): X509_V_ERR_*
_CHECKS = {
    2: DoorFault.UNTRUSTED,  # unable to get issuer certificate
    9: DoorFault.NOT_YET_VALID,
    10: DoorFault.EXPIRED,
    18: DoorFault.UNTRUSTED,  # self-signed certificate
    19: DoorFault.UNTRUSTED,  # self-signed certificate in certificate chain
    20: DoorFault.UNTRUSTED,  # unable to get local issuer certificate
    21: DoorFault.UNTRUSTED,  # unable to verify the first certificate
    24: DoorFault.UNTRUSTED,  # invalid CA certificate
    26: DoorFault.UNTRUSTED,  # unsuitable certificate purpose
    62: DoorFault.WRONG_NAME,  # hostname mismatch
    64: DoorFault.WRONG_NAME,  # IP address mismatch
}
# Alerts that the other side sends (RFC 8446 6.2, RFC 5246 7.2.2), and what OpenSSL finds itself, by the ends of its reasons (sslerr.h)
_ALERTS_ABOUT_US = (
    "ALERT_BAD_CERTIFICATE",
    "ALERT_CERTIFICATE_EXPIRED",
    "ALERT_CERTIFICATE_REQUIRED",
    "ALERT_CERTIFICATE_REVOKED",
    "ALERT_CERTIFICATE_UNKNOWN",
    "ALERT_NO_CERTIFICATE",
    "ALERT_UNKNOWN_CA",
    "ALERT_UNSUPPORTED_CERTIFICATE",
    "ALERT_ACCESS_DENIED",
)
_OTHERS = {
    "ALERT_PROTOCOL_VERSION": DoorFault.OLD_TLS,
    "UNSUPPORTED_PROTOCOL": DoorFault.OLD_TLS,
    "ALERT_HANDSHAKE_FAILURE": DoorFault.NO_HANDSHAKE,
    "NO_SHARED_CIPHER": DoorFault.NO_HANDSHAKE,
    "WRONG_VERSION_NUMBER": DoorFault.NO_TLS,
    "HTTP_REQUEST": DoorFault.NO_TLS,
}


def fault_of(error: ssl.SSLError) -> DoorFault | None:
    """Give what the error says of the door; None for one that says nothing of it, such as a line that broke."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _CHECKS.get(error.verify_code)
    reason = getattr(error, "reason", "") or ""
    if reason.endswith(_ALERTS_ABOUT_US):
        return DoorFault.OURS_REFUSED
    return next((fault for end, fault in _OTHERS.items() if reason.endswith(end)), None)


def reason_of(error: ssl.SSLError) -> str:
    """Give OpenSSL's own words for it."""
    return str(getattr(error, "verify_message", "") or getattr(error, "reason", "") or error.strerror or "").replace("_", " ")


def no_call(error: Exception) -> Acknowledgement:
    """Give what a call came to that ended in one of ``CALL_FAULTS`` before anything was sent."""
    match error:
        case socket.gaierror():
            # a name server that is away says "try later" (EAI_AGAIN); every other fault is the name's own
            return no_answer(Silence.NO_CONNECTION if error.errno == socket.EAI_AGAIN else Silence.NAME, str(error))
        case ssl.SSLError():
            return no_answer(fault_of(error) or Silence.TLS, reason_of(error))
        case SettingsError():  # a certificate or key that cannot be used
            return no_answer(Silence.SETUP, str(error))
        case OSError():
            return no_answer(Silence.NO_CONNECTION, str(error))
    return no_answer(Silence.NAME, str(error))  # a name that cannot even be asked for
