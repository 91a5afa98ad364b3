"""Transport sessions written out frame by frame, straight from the layouts of the standards.

SAE J1939-21 (TP.CM, TP.DT, ETP) and ISO 15765-2, both from memory.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from busplan.frames.kinds import EXTENDED, FD
from busplan.frames.table import FrameTable

MS = 1_000_000


class Frame(NamedTuple):
    """One frame: time [ns], identifier, payload."""

    time_ns: int
    identifier: int
    payload: bytes
    network: str = "a"


def table(
    frames: Iterable[Frame], flags: int = EXTENDED, networks: Sequence[str] = ("a", "b")
) -> FrameTable:
    """Frames as a table, in the order given."""
    listed = list(frames)
    return FrameTable.from_columns(
        networks,
        [f.time_ns for f in listed],
        [networks.index(f.network) for f in listed],
        [f.identifier for f in listed],
        [flags | (FD if len(f.payload) > 8 else 0) for f in listed],
        [len(f.payload) for f in listed],
        np.frombuffer(b"".join(f.payload for f in listed), np.uint8),
    )


def control(source: int, destination: int, content: bytes, *, extended: bool = False) -> Frame:
    """A connection management frame (TP.CM 0xEC00, ETP.CM 0xC800), priority 7."""
    lead = 0x1CC80000 if extended else 0x1CEC0000
    return Frame(0, lead | destination << 8 | source, content)


def packet(source: int, destination: int, content: bytes, *, extended: bool = False) -> Frame:
    """A data transfer frame (TP.DT 0xEB00, ETP.DT 0xC700), priority 7."""
    lead = 0x1CC70000 if extended else 0x1CEB0000
    return Frame(0, lead | destination << 8 | source, content)


def packets(data: bytes) -> list[bytes]:
    """Pieces of 7 bytes, the last one filled up with FF."""
    return [data[i : i + 7].ljust(7, b"\xff") for i in range(0, len(data), 7)]


def little(value: int, size: int) -> bytes:
    """A number as the standard writes it, least significant byte first."""
    return value.to_bytes(size, "little")


def broadcast(source: int, group: int, data: bytes) -> list[Frame]:
    """TP.CM_BAM (control byte 32) and its packets."""
    pieces = packets(data)
    head = bytes([32]) + little(len(data), 2) + bytes([len(pieces), 255]) + little(group, 3)
    return [
        control(source, 255, head),
        *(packet(source, 255, bytes([i + 1]) + p) for i, p in enumerate(pieces)),
    ]


def connection(
    source: int, destination: int, group: int, data: bytes, *, block: int = 255
) -> list[Frame]:
    """TP.CM_RTS (16), for each block TP.CM_CTS (17), packets, TP.CM_EndOfMsgACK (19)."""
    pieces = packets(data)
    size = little(len(data), 2) + bytes([len(pieces), 255]) + little(group, 3)
    frames = [control(source, destination, bytes([16]) + size)]
    for low in range(0, len(pieces), block):
        part = pieces[low : low + block]
        frames.append(clear(source, destination, group, low + 1, len(part)))
        frames += [
            packet(source, destination, bytes([low + i + 1]) + p) for i, p in enumerate(part)
        ]
    return [*frames, control(destination, source, bytes([19]) + size)]


def clear(source: int, destination: int, group: int, number: int, count: int) -> Frame:
    """TP.CM_CTS from the receiver: ``count`` packets from ``number`` on; 0 means wait."""
    content = bytes([17, count, number, 255, 255]) + little(group, 3)
    return control(destination, source, content)


def abort(source: int, destination: int, group: int, reason: int = 3) -> Frame:
    """TP.Conn_Abort (255)."""
    return control(source, destination, bytes([255, reason, 255, 255, 255]) + little(group, 3))


def extended_connection(
    source: int, destination: int, group: int, data: bytes, *, block: int = 255
) -> list[Frame]:
    """ETP.CM_RTS (20), for each block CTS (21) and DPO (22), packets, EOMA (23)."""
    pieces = packets(data)
    tail = little(group, 3)
    frames = [
        control(source, destination, bytes([20]) + little(len(data), 4) + tail, extended=True)
    ]
    for low in range(0, len(pieces), block):
        part = pieces[low : low + block]
        go = bytes([21, len(part)]) + little(low + 1, 3) + tail
        offset = bytes([22, len(part)]) + little(low, 3) + tail
        frames.append(control(destination, source, go, extended=True))
        frames.append(control(source, destination, offset, extended=True))
        frames += [
            packet(source, destination, bytes([i + 1]) + p, extended=True)
            for i, p in enumerate(part)
        ]
    end = bytes([23]) + little(len(data), 4) + tail
    return [*frames, control(destination, source, end, extended=True)]


def spread(frames: Sequence[Frame], start_ns: int = 0, step_ns: int = 20 * MS) -> list[Frame]:
    """Frames one after the other, ``step_ns`` apart."""
    return [f._replace(time_ns=start_ns + i * step_ns) for i, f in enumerate(frames)]


def segmented(
    identifier: int, data: bytes, *, most: int = 8, address: int | None = None, pad: bool = True
) -> list[Frame]:
    """A message by ISO 15765-2 in frames of up to ``most`` bytes; flow control is not in it."""
    lead = b"" if address is None else bytes([address])

    def framed(content: bytes) -> Frame:
        content = lead + content
        sizes = [n for n in (8, 12, 16, 20, 24, 32, 48, 64) if n >= len(content)]
        width = sizes[0] if pad or len(content) > 8 else len(content)
        return Frame(0, identifier, content.ljust(width, b"\xcc"))

    room = 7 - len(lead)
    if len(data) <= room:
        return [framed(bytes([len(data)]) + data)]
    if most > 8 and len(data) <= most - 2 - len(lead):
        return [framed(bytes([0, len(data)]) + data)]
    if len(data) < 4096:
        head = bytes([0x10 | len(data) >> 8, len(data) & 255])
    else:
        head = bytes([0x10, 0]) + len(data).to_bytes(4, "big")
    begin = most - len(lead) - len(head)
    frames = [framed(head + data[:begin])]
    step = most - len(lead) - 1
    for i, low in enumerate(range(begin, len(data), step)):
        frames.append(framed(bytes([0x20 | (i + 1) % 16]) + data[low : low + step]))
    return frames
