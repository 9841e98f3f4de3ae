"""What keeps Padpost from a receiver's door before a message is judged: certificates, encryption, sign-in.

Each closes the destination and consumes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from bridge.lifecycle.answers.row import Row
from bridge.model import Answer


class DoorFault(StrEnum):
    """What is wrong; the values are the codes, short and safe for logs."""

    EXPIRED = "certificate expired"
    NOT_YET_VALID = "certificate not yet valid"
    UNTRUSTED = "certificate not trusted"
    WRONG_NAME = "certificate of another name"
    OURS_REFUSED = "our certificate refused"
    OLD_TLS = "TLS version not shared"
    NO_HANDSHAKE = "handshake refused"
    NO_TLS = "no TLS there"
    INVALID_CLIENT = "token refused: invalid_client"
    INVALID_SCOPE = "token refused: invalid_scope"
    UNAUTHORIZED_CLIENT = "token refused: unauthorized_client"
    REFUSED = "token refused"
    NOTHING_GRANTED = "no token"
    SIGN_IN_AWAY = "token server out of reach"


# TLS: RFC 5280 6.1 (time, trust), RFC 9525 (names), RFC 8446 6.2 and RFC 5246 7.2 (alerts); tokens: RFC 6749 5.2
_WHY: Mapping[DoorFault, str] = {
    DoorFault.EXPIRED: "The receiver's certificate has run out. Its people must renew it; a clock that goes wrong here looks the same.",
    DoorFault.NOT_YET_VALID: "The receiver's certificate begins later than it is by this machine's clock. Check the clock first.",
    DoorFault.UNTRUSTED: "Nobody that Padpost trusts has signed the receiver's certificate. Compare it with its people by another way, then name its CA (tls.ca).",
    DoorFault.WRONG_NAME: "The receiver's certificate is for another name than the one that was called. Check the address; tls.server_name only if its people confirm that name.",
    DoorFault.OURS_REFUSED: "The receiver wants a certificate of Padpost, or does not take the one shown (tls.certificate): run out, unknown there, or none was given.",
    DoorFault.OLD_TLS: "The receiver has no version of TLS that Padpost takes: 1.2, or as tls.minimum says. Older ones are not safe.",
    DoorFault.NO_HANDSHAKE: "The receiver has none of the encryptions that RFC 9325 recommends, or wants a certificate of Padpost (tls.certificate) and got none.",
    DoorFault.NO_TLS: "What answers there does not speak TLS. Nothing is ever sent in the clear instead.",
    DoorFault.INVALID_CLIENT: "The token server does not know this client, or not its key. Check client_id, and give its people the public keys (padpost public-keys).",
    DoorFault.INVALID_SCOPE: "The token server does not grant what the messages need. Agree on the scope with its people.",
    DoorFault.UNAUTHORIZED_CLIENT: "The token server does not let this client in by this way.",
    DoorFault.REFUSED: "The token server refused for another reason, or does not take the signed assertion.",
    DoorFault.NOTHING_GRANTED: "What the token server said holds no token.",
    DoorFault.SIGN_IN_AWAY: "The token server, or the address that names it, gives no answer. It is asked again.",
}
DOOR: Mapping[DoorFault, Row] = {fault: Row(answer=Answer.CLOSED, why=why) for fault, why in _WHY.items()}
