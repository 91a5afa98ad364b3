"""Two captures that were made different, and the moment to lay them side by side by."""

from dataclasses import replace

import numpy as np
import pytest
from support.van import make_replay

from busplan.board.event import first_moment
from busplan.errors import UsageError
from busplan.frames.table import FrameTable
from busplan.replay.differing import differing
from busplan.replay.replay import Replay

S = 1_000_000_000


@pytest.fixture(scope="module")
def plain() -> Replay:
    return make_replay(seconds=10.0)


def changed(replay: Replay, identifier: int, change) -> Replay:
    """The same with the payloads of one identifier changed, or its frames left out."""
    table = replay.table
    mine = table.identifier == identifier
    payloads = [bytearray(table.bytes_of(i)) for i in range(len(table))]
    keep = np.ones(len(table), np.bool_)
    for n, i in enumerate(np.flatnonzero(mine).tolist()):
        keep[i] = change(n, payloads[i]) is not False
    at = np.flatnonzero(keep)
    made = FrameTable.from_columns(
        table.networks,
        table.time_ns[at],
        table.network[at],
        table.identifier[at],
        table.flags[at],
        np.array([len(payloads[i]) for i in at]),
        np.frombuffer(b"".join(bytes(payloads[i]) for i in at), np.uint8),
    )
    return Replay.of(replay.vehicle, made, source="other.log")


def told(first: Replay, second: Replay) -> dict[str, tuple[str, ...]]:
    return {d.label: d.what for d in differing(first, second)}


def test_the_same_capture_twice_differs_in_nothing(plain: Replay) -> None:
    assert told(plain, plain) == {}
    assert told(plain, make_replay(seconds=8.0)) == {}


def test_what_is_missing_shorter_slower_or_another_value_is_named(plain: Replay) -> None:
    assert told(plain, changed(plain, 0x1802, lambda n, p: False)) == {
        "pack/0x00001802": ("only in the first",)
    }
    slower = changed(plain, 0x1803, lambda n, p: n % 2 == 0)
    assert told(plain, slower) == {"pack/0x00001803": ("period 100.0 and 200.0 ms",)}

    def cut(n, payload):
        del payload[6:]

    assert told(plain, changed(plain, 0x1800, cut))["pack/0x00001800"][0] == "lengths 8 and 6"

    def higher(n, payload):
        payload[0:2] = (4100 + n % 3).to_bytes(2, "little")

    (what,) = told(plain, changed(plain, 0x1800, higher))["pack/0x00001800"]
    assert what.startswith("CellVoltage01 3.699 to 3.701 and 4.1 to 4.102 V")

    def opened(n, payload):
        payload[2] = 0

    assert told(plain, changed(plain, 0x1700, opened)) == {
        "pack/0x00001700": (
            "ContactorState closed only in the first",
            "ContactorState open only in the second",
        )
    }


def test_bytes_that_nobody_defines_are_compared_too(plain: Replay) -> None:
    bare = replace(plain.vehicle, streams=())
    first = Replay.of(bare, plain.table)

    def another(n, payload):
        payload[7], payload[6] = 9, n & 255

    second = changed(first, 0x120, another)
    (what, moves) = told(first, second)["thermal/0x120"]
    assert what == "resting bytes 7: 00 and 09"
    assert moves == "byte 6 moves only in the second"


def test_captures_are_laid_by_what_becomes_so(plain: Replay) -> None:
    assert first_moment(plain, "PackCurrent above 55") == pytest.approx(5 * S, abs=0.2 * S)
    assert first_moment(plain, "ContactorState is closed") < S
    for wrong in ("PackCurrent above 900", "Nobody is 1", "ContactorState is shut", "it rains"):
        with pytest.raises(UsageError):
            first_moment(plain, wrong)
