"""Finding the bit rate of an unknown bus by listening only.

A receiver at the wrong bit rate sees error frames or nothing; at the right one, whole frames. What
was heard is weighed: noise passes a checksum of 15 bits once in 32,768 times (ISO 11898-1), so one
whole frame against no error is good evidence, while a network that works may still show as many
errors as frames. A node that sends once a second takes a second or two at each bit rate. An
adapter that cannot be silent would destroy the others' frames at the wrong bit rate, so only kinds
that can are allowed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from math import log10

from busplan.errors import UsageError
from busplan.live.interface_spec import SILENT_OPTIONS, InterfaceSpec
from busplan.live.interfaces import Receiver, open_receiver

USUAL_BIT_RATES = (500_000, 250_000, 125_000, 1_000_000, 100_000, 50_000, 800_000, 83_333, 20_000)
"""In the order they are tried. Common practice, no source."""
SURE = 4.0
"""Powers of ten that the evidence must reach."""
_FRAME = log10(0.5 * 2**15)
"""What a whole frame says for a bit rate: half of all tries at the right one, chance elsewhere."""
_ERROR = log10(0.5)
"""What an error says against it."""
GIVEN_UP = 200
"""So many errors without a frame end listening at a bit rate."""
LEAST_S = 2.5
"""A node that sends once a second is heard twice in this time."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What came at one bit rate [bit/s]."""

    bit_rate: int
    frames: int
    errors: int

    @property
    def fits(self) -> bool:
        """Whether what came is evidence enough."""
        return self.frames > 0 and self.frames * _FRAME + self.errors * _ERROR >= SURE


def find_bit_rate(
    spec: InterfaceSpec,
    *,
    bit_rates: Iterable[int] = USUAL_BIT_RATES,
    listen_s: float = LEAST_S,
    opener: Callable[[InterfaceSpec], Receiver] = open_receiver,
    progress: Callable[[Heard], None] | None = None,
) -> list[Heard]:
    """Listen at one bit rate after the other until one fits; returns all that was heard.

    ``listen_s`` is the longest time at each [s]; evidence either way ends it sooner.

    Raises :class:`UsageError` when the interface cannot be told to keep silent.
    """
    if spec.kind not in SILENT_OPTIONS or spec.overrides_silence:
        hint = (
            f"; on Linux try one after the other: ip link set {spec.channel} up type can bitrate "
            "250000 listen-only on"
            if spec.kind == "socketcan"
            else ""
        )
        raise UsageError(
            f"{spec}: a bit-rate search needs an interface that is told to listen only "
            f"({', '.join(sorted(SILENT_OPTIONS))}); at a wrong bit rate any other would destroy "
            f"the frames of the others{hint}"
        )
    if "bitrate" in spec.options:
        raise UsageError(f"{spec}: the search sets the bit rate itself; leave bitrate= out")
    heard = []
    for bit_rate in bit_rates:
        heard.append(_listen(replace(spec, bit_rate=bit_rate), bit_rate, listen_s, opener))
        if progress is not None:
            progress(heard[-1])
        if heard[-1].fits:
            break
    return heard


def _listen(
    spec: InterfaceSpec,
    bit_rate: int,
    listen_s: float,
    opener: Callable[[InterfaceSpec], Receiver],
) -> Heard:
    receiver = opener(spec)
    frames = errors = 0
    end = time.monotonic() + listen_s
    try:
        while (left := end - time.monotonic()) > 0:
            message = receiver.receive(left)
            if message is not None and message.is_error_frame:
                errors += 1
            elif message is not None:
                frames += 1
            if Heard(bit_rate, frames, errors).fits or (errors >= GIVEN_UP and not frames):
                break
    finally:
        receiver.close()
    return Heard(bit_rate, frames, errors)
