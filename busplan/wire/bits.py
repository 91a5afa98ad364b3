"""Every bit of a frame, from start of frame to intermission: the readable reference.

The rules of this file: bits are laid down in the order of ISO 11898-1, one field after another,
and nothing is clever; :mod:`busplan.wire.exact` counts the same bits millions of times faster and
is tested against this file. 0 is dominant, 1 recessive; the acknowledge slot is shown dominant, as
it is when any node hears the frame.

Stuffing: after five equal bits the sender inserts one of the opposite value. It covers SOF to the
last CRC bit of a classical frame, SOF to the last payload bit of a CAN FD frame (where no stuff
bit follows the very last of them). A CAN FD frame then has a fixed stuff bit, always the opposite
of the bit before it, ahead of the stuff count and after every fourth bit of stuff count and CRC.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

from busplan.wire.lengths import Bits, dlc_of, length_of

Stuff = Literal["", "dynamic", "fixed"]


class WireBit(NamedTuple):
    """One bit: its value, the field it stands in (or stuffs), what kind of stuff bit it is, if any,
    and whether it is sent at the data bit rate."""

    value: int
    field: str
    stuff: Stuff = ""
    fast: bool = False


@dataclass(frozen=True, slots=True)
class WireFrame:
    """A frame as it stands on the wire, with the CRC it carries."""

    bits: tuple[WireBit, ...]
    crc: int
    crc_width: int
    """15 (classical), 17 or 21 [bit]."""

    def __len__(self) -> int:
        return len(self.bits)

    @property
    def text(self) -> str:
        """All bits as ``0`` and ``1``."""
        return "".join(str(b.value) for b in self.bits)

    def count(self, stuff: Stuff) -> int:
        """Number of stuff bits of one kind, or of all other bits (``""``)."""
        return sum(b.stuff == stuff for b in self.bits)

    @property
    def counted(self) -> Bits:
        """Bits at the arbitration bit rate and at the data bit rate."""
        fast = sum(b.fast for b in self.bits)
        return Bits(len(self.bits) - fast, fast)

    def fields(self) -> Iterator[tuple[str, tuple[WireBit, ...]]]:
        """The fields in order, each with its bits."""
        start = 0
        for end in range(1, len(self.bits) + 1):
            name = self.bits[start].field
            if end == len(self.bits) or self.bits[end].field != name:
                yield name, self.bits[start:end]
                start = end


class CrcKind(NamedTuple):
    """A CRC of ISO 11898-1: width [bit], polynomial without its highest term, start value."""

    width: int
    polynomial: int
    start: int


CRC_15 = CrcKind(15, 0x4599, 0)
CRC_17 = CrcKind(17, 0x1685B, 1 << 16)
CRC_21 = CrcKind(21, 0x102899, 1 << 20)


def crc_of(bits: Iterable[int], kind: CrcKind) -> int:
    """CRC of a sequence of bits, shifted in one by one, most significant first."""
    crc = kind.start
    for bit in bits:
        feedback = bit ^ (crc >> (kind.width - 1) & 1)
        crc = crc << 1 & (1 << kind.width) - 1
        if feedback:
            crc ^= kind.polynomial
    return crc


def frame_bits(
    identifier: int,
    payload: bytes = b"",
    *,
    extended: bool = False,
    fd: bool = False,
    switched: bool = False,
    error_passive: bool = False,
    remote: bool = False,
    dlc: int | None = None,
) -> WireFrame:
    """All bits of a frame.

    ``switched`` (BRS) and ``error_passive`` (ESI) apply to CAN FD frames. ``dlc`` is what the
    length code says where the payload does not: in a remote frame (bytes asked for), or 9 to 15
    for the 8 bytes of a classical frame. A CAN FD payload is padded with zeros to the next possible
    length. Raises ``ValueError`` for what no frame can be.
    """
    code = _check(identifier, payload, extended=extended, fd=fd, remote=remote, dlc=dlc)
    header = list(_header(identifier, code, extended, fd, switched, error_passive, remote))
    sent = payload + bytes(length_of(code, fd=True) - len(payload)) if fd else payload
    content = header + [WireBit(bit, "data", "", switched) for byte in sent for bit in _of(byte, 8)]
    if fd:
        body, crc, width = _fd_body(content, switched, len(sent))
    else:
        crc, width = crc_of((b.value for b in content), CRC_15), 15
        body = _stuffed([*content, *_field("CRC", crc, 15)], last=True)
    end = [
        WireBit(1, "CRC delimiter", "", switched),
        WireBit(0, "ACK"),
        WireBit(1, "ACK delimiter"),
        *_field("EOF", 0x7F, 7),
        *_field("intermission", 0x7, 3),
    ]
    return WireFrame((*body, *end), crc, width)


def error_frame_bits(echo: int = 0) -> WireFrame:
    """An active error frame: flag (6 dominant bits), the ``echo`` of 0 to 6 more as other nodes
    answer with theirs, delimiter (8) and intermission (3)."""
    if not 0 <= echo <= 6:
        raise ValueError(f"other nodes lengthen an error flag by 0 to 6 bits, not {echo}")
    bits = [
        *_field("error flag", 0, 6),
        *_field("error echo", 0, echo),
        *_field("error delimiter", 0xFF, 8),
        *_field("intermission", 0x7, 3),
    ]
    return WireFrame(tuple(bits), 0, 0)


def _check(
    identifier: int, payload: bytes, *, extended: bool, fd: bool, remote: bool, dlc: int | None
) -> int:
    """The DLC, once everything fits."""
    width = 29 if extended else 11
    if not 0 <= identifier < 1 << width:
        raise ValueError(f"identifier 0x{identifier:X} does not fit in {width} bits")
    if remote and fd:
        raise ValueError("CAN FD has no remote frames")
    if remote and payload:
        raise ValueError("a remote frame carries no payload")
    needed = dlc_of(len(payload), fd=fd)
    if dlc is None or dlc == needed:
        return needed
    if not 0 <= dlc <= 15 or fd or not (remote or (needed == 8 and dlc > 8)):
        raise ValueError(f"DLC {dlc} does not go with a payload of {len(payload)} bytes")
    return dlc


def _of(value: int, width: int) -> Iterator[int]:
    return (value >> k & 1 for k in reversed(range(width)))


def _field(name: str, value: int, width: int, fast: bool = False) -> list[WireBit]:
    return [WireBit(bit, name, "", fast) for bit in _of(value, width)]


def _header(
    identifier: int,
    dlc: int,
    extended: bool,
    fd: bool,
    switched: bool,
    error_passive: bool,
    remote: bool,
) -> Iterator[WireBit]:
    """SOF to DLC, without stuff bits."""
    yield WireBit(0, "SOF")
    if extended:
        yield from _field("identifier", identifier >> 18, 11)
        yield WireBit(1, "SRR")
        yield WireBit(1, "IDE")
        yield from _field("extension", identifier & 0x3FFFF, 18)
        yield WireBit(int(remote), "RRS" if fd else "RTR")
    else:
        yield from _field("identifier", identifier, 11)
        yield WireBit(int(remote), "RRS" if fd else "RTR")
        yield WireBit(0, "IDE")
    if fd:
        yield WireBit(1, "FDF")
        yield WireBit(0, "res")
        yield WireBit(int(switched), "BRS")
        yield WireBit(int(error_passive), "ESI", "", switched)
    else:
        if extended:
            yield WireBit(0, "r1")
        yield WireBit(0, "r0")
    yield from _field("DLC", dlc, 4, switched and fd)


def _stuffed(bits: Iterable[WireBit], *, last: bool) -> list[WireBit]:
    """With dynamic stuff bits; ``last``: also after the last bit, should a run of five end there.

    A stuff bit starts the next run. One that follows BRS is already sent at the data bit rate.
    """
    out: list[WireBit] = []
    run = 0
    source = list(bits)
    for place, bit in enumerate(source):
        run = run + 1 if out and out[-1].value == bit.value else 1
        out.append(bit)
        if run == 5 and (last or place + 1 < len(source)):
            fast = bit.fast or (place + 1 < len(source) and source[place + 1].fast)
            out.append(WireBit(1 - bit.value, bit.field, "dynamic", fast))
            run = 1
    return out


def _fd_body(content: list[WireBit], fast: bool, length: int) -> tuple[list[WireBit], int, int]:
    """Stuffed header and payload, then stuff count and CRC with fixed stuff bits; CRC; its width.

    The CRC covers the dynamic stuff bits and the stuff count. The stuff count is the number of
    dynamic stuff bits modulo 8 in Gray code, then a bit that makes the parity of all four even.
    """
    body = _stuffed(content, last=False)
    count = sum(b.stuff == "dynamic" for b in body) % 8
    gray = count ^ count >> 1
    coded = gray << 1 | gray.bit_count() & 1
    stuff_count = _field("stuff count", coded, 4, fast)
    kind = CRC_17 if length <= 16 else CRC_21
    crc = crc_of((b.value for b in [*body, *stuff_count]), kind)
    for place, bit in enumerate([*stuff_count, *_field("CRC", crc, kind.width, fast)]):
        if place % 4 == 0:
            body.append(WireBit(1 - body[-1].value, bit.field, "fixed", fast))
        body.append(bit)
    return body, crc, kind.width
