"""The LIS01-A2 (E1381) link layer: two state machines that never meet a port.

The caller moves bytes and owns the clock: it feeds what arrives, does the outputs in
their order, and after every call arms ``timer`` anew (it may be None).

One frame gets one answer, and bytes outside a frame get none: an answer too many would be taken
for the answer to the next frame, and a frame would be lost.
"""

from __future__ import annotations

from bridge.wire.lis01_frames import ACK, CR, ENQ, EOT, ETB, ETX, LF, LONGEST_TEXT, NAK, STX, build_frame, checksum, unframe
from bridge.wire.lis01_receiver import KEEPING_STATES, RECEIVER, LinkReceiver, ReceiverEvent, ReceiverState
from bridge.wire.lis01_says import PRIORITY_S, Ended, Keep, Output, Refused, Send, SendEnd, Timer, Yielded
from bridge.wire.lis01_sender import SENDER, LinkSender, Role, SenderEvent, SenderState

__all__ = [
    "ACK", "CR", "ENQ", "EOT", "ETB", "ETX", "KEEPING_STATES", "LF", "LONGEST_TEXT", "NAK", "PRIORITY_S", "RECEIVER", "SENDER", "STX",
    "Ended", "Keep", "LinkReceiver", "LinkSender", "Output", "ReceiverEvent", "ReceiverState", "Refused", "Role",
    "Send", "SendEnd", "SenderEvent", "SenderState", "Timer", "Yielded", "build_frame", "checksum", "unframe",
]  # fmt: skip
