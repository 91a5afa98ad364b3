"""One frame described: its bits, how long they take, and how long any such frame may take."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

from busplan.frames.identifier import format_identifier
from busplan.wire.bits import WireFrame, error_frame_bits, frame_bits
from busplan.wire.lengths import ERROR_BITS_WORST, Bits, duration_ns, nominal_bits, worst_bits


@dataclass(frozen=True)
class DescribedFrame:
    """A frame as it is sent, its payload, and the least and most bits of any such frame.

    ``bit_rate`` [bit/s]; ``data_bit_rate`` where the frame switches to one.
    """

    label: str
    payload: bytes
    wire: WireFrame
    least: Bits
    most: Bits
    bit_rate: int
    data_bit_rate: int | None

    @cached_property
    def durations_us(self) -> tuple[float, float, float]:
        """Time on the wire [µs]: of this frame, of the shortest and of the longest such frame."""
        one, least, most = (
            duration_ns(bits, self.bit_rate, self.data_bit_rate) / 1000
            for bits in (self.wire.counted, self.least, self.most)
        )
        return one, least, most

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        wire, (one, least, most) = self.wire, self.durations_us
        return {
            "identifier": self.label,
            "payload": self.payload.hex().upper(),
            "bits": wire.text,
            "crc": f"0x{wire.crc:X}",
            "arbitration_bits": wire.counted.arbitration,
            "data_bits": wire.counted.data,
            "stuff_bits": wire.count("dynamic"),
            "fixed_stuff_bits": wire.count("fixed"),
            "duration_us": one,
            "nominal": {"bits": self.least.total, "duration_us": least},
            "worst": {"bits": self.most.total, "duration_us": most},
            "fields": [
                {
                    "name": name,
                    "bits": "".join(str(b.value) for b in bits),
                    "stuff": [i for i, b in enumerate(bits) if b.stuff],
                }
                for name, bits in wire.fields()
            ],
        }


def describe_frame(
    identifier: int,
    payload: bytes = b"",
    *,
    extended: bool = False,
    fd: bool = False,
    switched: bool = False,
    error_passive: bool = False,
    remote: bool = False,
    dlc: int | None = None,
    bit_rate: int = 500_000,
    data_bit_rate: int = 2_000_000,
) -> DescribedFrame:
    """A frame of these parts, which are those of :func:`busplan.wire.bits.frame_bits`.

    Bit rates [bit/s]; that of the data part counts where ``switched``. ``ValueError`` for what no
    frame can be.
    """
    wire = frame_bits(
        identifier,
        payload,
        extended=extended,
        fd=fd,
        switched=switched,
        error_passive=error_passive,
        remote=remote,
        dlc=dlc,
    )
    shape: dict[str, bool] = {
        "extended": extended,
        "fd": fd,
        "switched": switched,
        "remote": remote,
    }
    return DescribedFrame(
        label=format_identifier(identifier, extended),
        payload=payload,
        wire=wire,
        least=nominal_bits(len(payload), **shape),
        most=worst_bits(len(payload), **shape),
        bit_rate=bit_rate,
        data_bit_rate=data_bit_rate if switched else None,
    )


def error_frame_dict(bit_rate: int) -> dict[str, Any]:
    """The active error frame for JSON: its bits, least and most and as analysed, and one's time."""
    least, most = len(error_frame_bits(0)), len(error_frame_bits(6))
    bits = {"least": least, "most": most, "analysis": ERROR_BITS_WORST}
    return {"kind": "error frame", "bits": bits, "microseconds_per_bit": 1e6 / bit_rate}
