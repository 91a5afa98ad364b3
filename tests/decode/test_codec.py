"""Decoding and encoding against cantools, the reference library."""

import numpy as np
from cantools.database.can.formats import dbc

from busplan.capture.frames import REMOTE, FrameTable
from busplan.decode.codec import decode_message
from busplan.decode.encode import encode_message
from busplan.definitions.dbc import load_dbc

TEXT = """VERSION ""
BU_: A B
BO_ 256 Mixed: 8 A
 SG_ Little : 3|12@1- (0.5,-10) [0|0] "V"  B
 SG_ Big : 23|13@0+ (2,1) [0|0] ""  B
 SG_ Page M : 32|4@1+ (1,0) [0|0] ""  B
 SG_ One m1 : 40|16@1- (0.1,0) [0|0] "A"  B
 SG_ Two m2 : 40|8@1+ (1,0) [0|0] ""  B
"""


def frames(payloads: list[bytes], flags: int = 0) -> FrameTable:
    n = len(payloads)
    return FrameTable.from_columns(
        ["can0"],
        np.arange(n) * 1_000_000,
        np.zeros(n),
        np.full(n, 256),
        np.full(n, flags),
        [len(p) for p in payloads],
        np.frombuffer(b"".join(payloads), np.uint8),
    )


def test_values_equal_cantools(tmp_path) -> None:
    path = tmp_path / "mixed.dbc"
    path.write_text(TEXT)
    ours = load_dbc(path).messages[0]
    theirs = dbc.load_string(TEXT).messages[0]
    random = np.random.default_rng(1).integers(0, 256, (3000, 8), np.uint8)
    random[:, 4] = random[:, 4] & 0xF0 | random[:, 4] % 3
    payloads = [row.tobytes() for row in random if row[4] & 15]
    decoded = decode_message(frames(payloads), np.arange(len(payloads)), ours)
    for i, payload in enumerate(payloads):
        expected = theirs.decode(payload, decode_choices=False)
        got = {n: s.values[i].item() for n, s in decoded.signals.items() if s.present[i]}
        assert got == expected
        assert {n: type(v) for n, v in got.items()} == {n: type(v) for n, v in expected.items()}


def test_encode_is_the_inverse(tmp_path) -> None:
    path = tmp_path / "mixed.dbc"
    path.write_text(TEXT)
    message = load_dbc(path).messages[0]
    values = {
        "Little": [-20.0, 13.5],
        "Big": [1, 4001],
        "Page": [1, 2],
        "One": [-300.1, 0],
        "Two": [0, 77],
    }
    payload = encode_message(message, values, 2)
    theirs = dbc.load_string(TEXT).messages[0]
    assert theirs.decode(payload[0].tobytes()) == {
        "Little": -20.0,
        "Big": 1,
        "Page": 1,
        "One": -3001 * 0.1,
    }
    assert theirs.decode(payload[1].tobytes()) == {
        "Little": 13.5,
        "Big": 4001,
        "Page": 2,
        "Two": 77,
    }


def test_short_long_and_remote_frames_and_unknown_pages(tmp_path) -> None:
    path = tmp_path / "mixed.dbc"
    path.write_text(TEXT)
    message = load_dbc(path).messages[0]
    table = frames([bytes(3), bytes(8), bytes(9), bytes(5) + b"\x01", b"\0\0\0\0\x01\0\0"])
    decoded = decode_message(table, np.arange(5), message)
    assert (decoded.short, decoded.long, decoded.remote) == (3, 1, 0)
    assert decoded.unknown_multiplexer == 3  # page 0 selects nothing
    assert decoded["Little"].present.tolist() == [True] * 5
    assert decoded["Page"].present.tolist() == [False, True, True, True, True]
    assert decoded["One"].present.tolist() == [False, False, False, False, True]
    assert np.isnan(decoded["One"].values[0])
    asked = decode_message(frames([bytes(8)], REMOTE), [0], message)
    assert (asked.remote, asked.short, asked["Little"].present[0]) == (1, 0, False)
