"""Searching the bit rate without disturbing anyone."""

import can
import numpy as np
import pytest

from busplan.errors import UsageError
from busplan.live.bit_rate import Heard, find_bit_rate
from busplan.live.interface_spec import InterfaceSpec, parse_interface
from busplan.live.interfaces import Receiver


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
    assert heard[-1].frames == 1, "one whole frame and no error is evidence enough"


def test_nothing_fits_is_said_so() -> None:
    adapter = Adapter()
    heard = find_bit_rate(
        parse_interface("bench=slcan:/dev/null"),
        bit_rates=(500_000, 125_000),
        listen_s=0.01,
        opener=adapter.open,
    )
    assert not any(h.fits for h in heard)


@pytest.mark.parametrize(
    ("frames", "errors", "fits"),
    [(1, 0, True), (0, 0, False), (1, 1, False), (2, 8, True), (3, 200, False), (40, 60, True)],
)
def test_whole_frames_are_weighed_against_errors(frames: int, errors: int, fits: bool) -> None:
    """A CRC of 15 bits lets noise pass once in 2^15 (ISO 11898-1): 1 frame is 16,384 to 1."""
    assert Heard(250_000, frames, errors).fits is fits


def test_the_chance_of_a_wrong_bit_rate_is_held() -> None:
    """Noise of 200 tries passes the checksum by chance; the search must not believe it."""
    rng = np.random.default_rng(1)
    frames = rng.binomial(200, 2.0**-15, 100_000)
    assert not any(Heard(1, int(f), 200 - int(f)).fits for f in np.unique(frames))


def test_a_wrong_bit_rate_is_given_up_early() -> None:
    class Bus:
        asked = 0

        def recv(self, timeout: float) -> can.Message | None:
            Bus.asked += 1
            return can.Message(is_error_frame=True)

        def shutdown(self) -> None:
            pass

    heard = find_bit_rate(
        parse_interface("bench=slcan:/dev/null"),
        bit_rates=(500_000,),
        listen_s=60,
        opener=lambda spec: Receiver(spec, Bus(), "listen-only"),  # type: ignore[arg-type]
    )
    assert (heard[0].errors, Bus.asked) == (200, 200)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("socketcan:can0", "ip link set can0 up type can bitrate 250000 listen-only on"),
        ("gs_usb:0", "listen only"),
        ("slcan:/dev/null,listen_only=false", "listen only"),
        ("slcan:/dev/null,bitrate=125000", "leave bitrate= out"),
    ],
)
def test_a_search_that_could_disturb_others_is_refused(text: str, words: str) -> None:
    adapter = Adapter()
    with pytest.raises(UsageError, match=words):
        find_bit_rate(parse_interface(f"bench={text}"), opener=adapter.open)
    assert adapter.tried == []
