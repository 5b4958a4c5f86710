"""Refuse websocket frames whose header promises more than the frame holds.

The parsers behind Voila build a list as long as the first number of a frame says, before they look at the rest of
it. Eight bytes from one visitor are then enough to fill the memory of the machine. Every frame passes here first.
"""

from __future__ import annotations

PROTOCOL = "v1.kernel.websocket.jupyter.org"
#: Parts of a message: channel, header, parent, metadata, content, then binary buffers. Ours have a few dozen.
MAX_OFFSETS = 4096
MIN_OFFSETS = 3


class MalformedFrame(ValueError):
    """A frame that no parser should see; only the connection that sent it suffers."""


def check_frame(frame: bytes | str) -> None:
    """Check the header of a frame in the protocol `v1.kernel.websocket.jupyter.org`.

    Parameters
    ----------
    frame : bytes
        The whole frame: the number of offsets, the offsets (8 bytes each, little-endian), then the parts.

    Raises
    ------
    MalformedFrame
        Not binary, too short, too many offsets, or offsets that run backwards or past the end.
    """
    if not isinstance(frame, bytes):
        raise MalformedFrame("a text frame where a binary one belongs")
    if len(frame) < 8:
        raise MalformedFrame(f"a frame of {len(frame)} bytes has no header")
    count = int.from_bytes(frame[:8], "little")
    if not MIN_OFFSETS <= count <= MAX_OFFSETS:
        raise MalformedFrame(f"{count} offsets, where {MIN_OFFSETS} to {MAX_OFFSETS} are possible")
    head = 8 * (count + 1)
    if head > len(frame):
        raise MalformedFrame(f"a header of {head} bytes in a frame of {len(frame)}")
    previous = head
    for start in range(8, head, 8):
        offset = int.from_bytes(frame[start : start + 8], "little")
        if not previous <= offset <= len(frame):
            raise MalformedFrame(f"an offset of {offset} after {previous} in a frame of {len(frame)} bytes")
        previous = offset
