"""Searching the bit rate without disturbing anyone."""

import can
import pytest

from busplan.errors import UsageError
from busplan.live.bit_rate import find_bit_rate
from busplan.live.interfaces import InterfaceSpec, Receiver, parse_interface


class Adapter:
    """Hears frames at 250 kbit/s and error frames at every other bit rate."""

    def __init__(self) -> None:
        self.tried: list[int | None] = []

    def open(self, spec: InterfaceSpec) -> Receiver:
        self.tried.append(spec.bit_rate)
        wrong = spec.bit_rate != 250_000

        class Bus:
            left = 20

            def recv(self, timeout: float) -> can.Message | None:
                self.left -= 1
                return can.Message(is_error_frame=wrong) if self.left > 0 else None

            def shutdown(self) -> None:
                pass

        return Receiver(spec, Bus(), "listen-only")  # type: ignore[arg-type]


def test_the_first_bit_rate_with_whole_frames_ends_the_search() -> None:
    adapter = Adapter()
    heard = find_bit_rate(
        parse_interface("bench=slcan:/dev/null"), listen_s=0.01, opener=adapter.open
    )
    assert adapter.tried == [500_000, 250_000]
    assert [h.fits for h in heard] == [False, True]
    assert heard[-1].frames > 3


def test_nothing_fits_is_said_so() -> None:
    adapter = Adapter()
    heard = find_bit_rate(
        parse_interface("bench=slcan:/dev/null"),
        bit_rates=(500_000, 125_000),
        listen_s=0.01,
        opener=adapter.open,
    )
    assert not any(h.fits for h in heard)


def test_an_interface_that_cannot_keep_silent_is_refused() -> None:
    with pytest.raises(UsageError, match="listen only"):
        find_bit_rate(parse_interface("bench=socketcan:can0"))
