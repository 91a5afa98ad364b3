"""Windows, the two layouts, and what is reported beside the values."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.vehicles import stream, vehicle

from busplan.decode import series as series_module
from busplan.decode.columns import Grid
from busplan.decode.series import decode_series, decode_table
from busplan.decode.windows import rows_within, window_borders
from busplan.definitions.model import MuxCondition, Signal
from busplan.errors import UsageError
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network, Vehicle
from busplan.transport.messages import Messages

MS = 1_000_000
SIGNALS = {
    0x10: (Signal("Speed", 0, 16, scale=0.5, unit="rpm", minimum=0, maximum=100),),
    0x20: (
        Signal("Page", 0, 8, selects=True),
        Signal("Low", 8, 8, condition=MuxCondition("Page", ((0, 0),)), choices={1: "one"}),
        Signal("High", 8, 8, condition=MuxCondition("Page", ((1, 1),)), unit="A"),
    ),
    0x30: (Signal("Big", 0, 64),),
}


def van() -> Vehicle:
    streams = []
    for identifier, signals in SIGNALS.items():
        made = stream(identifier, length=8 if identifier == 0x30 else 2)
        streams.append(replace(made, message=replace(made.message, signals=signals)))
    return vehicle(streams, [Network("a", 500_000)])


def table(rows: list[tuple[int, int, bytes]], flags: int = 0) -> FrameTable:
    """Frames as (time [ms], identifier, payload)."""
    return FrameTable.from_columns(
        ["a"],
        [t * MS for t, _, _ in rows],
        np.zeros(len(rows)),
        [i for _, i, _ in rows],
        np.full(len(rows), flags),
        [len(p) for _, _, p in rows],
        np.frombuffer(b"".join(p for _, _, p in rows), np.uint8),
        epoch=False,
    )


ROWS = [
    (1000, 0x10, b"\x02\x00"),
    (1010, 0x20, b"\x00\x01"),
    (1020, 0x20, b"\x01\x07"),
    (1030, 0x10, b"\xff\xff"),
    (1040, 0x30, b"\xff" * 8),
    (1050, 0x20, b"\x00\x02"),
    (1060, 0x20, b"\x09\x02"),
    (1070, 0x10, b"\x05"),
    (1080, 0x99, b""),
]


def test_long_layout() -> None:
    frame = decode_table(table(ROWS), van())
    assert list(frame.columns) == [
        "time_s", "network", "node", "message", "signal", "value", "unit", "text",
    ]  # fmt: skip
    shown = [
        (round(r.time_s, 6), r.signal, r.value, r.unit, r.text if isinstance(r.text, str) else "")
        for r in frame.itertuples()
    ]
    assert shown == [
        (0.0, "Speed", 1.0, "rpm", ""),
        (0.01, "Page", 0.0, "", ""),
        (0.01, "Low", 1.0, "", "one"),
        (0.02, "Page", 1.0, "", ""),
        (0.02, "High", 7.0, "A", ""),
        (0.03, "Speed", 32767.5, "rpm", ""),
        (0.04, "Big", float(2**64 - 1), "", ""),
        (0.05, "Page", 0.0, "", ""),
        (0.05, "Low", 2.0, "", ""),
        (0.06, "Page", 9.0, "", ""),
    ]
    assert set(frame.message) == {"M10", "M20", "M30"}


def test_wide_layout_holds_the_last_value_and_keeps_whole_numbers_whole() -> None:
    frame = decode_table(table(ROWS), van(), layout="wide")
    assert list(frame.columns) == [
        "time_s", "a/n/M10/Speed [rpm]", "a/n/M20/Page", "a/n/M20/Low", "a/n/M20/High [A]",
        "a/n/M30/Big",
    ]  # fmt: skip
    assert frame.time_s.round(6).tolist() == [0.0, 0.01, 0.02, 0.03, 0.04, 0.05, 0.06]
    low = frame["a/n/M20/Low"]
    assert low.isna().tolist() == [True] + [False] * 6
    assert low[1:].tolist() == [1, 1, 1, 1, 2, 2]
    assert frame["a/n/M30/Big"].iloc[-1] == 2**64 - 1
    assert frame["a/n/M10/Speed [rpm]"].tolist() == [1.0] * 3 + [32767.5] * 4


def test_a_regular_grid_spans_the_capture_and_old_values_go() -> None:
    van_ = van()
    addresses = [a for a, _, _ in van_.signals() if a.signal == "High"]
    grid = Grid(every_ns=25 * MS, hold_ns=30 * MS)
    frame = decode_table(table(ROWS), van_, addresses, layout="wide", grid=grid)
    assert frame.time_s.round(6).tolist() == [0.0, 0.025, 0.05, 0.075]
    high = frame["a/n/M20/High [A]"]
    # Received at 0.02 s: 5 ms old at 0.025 s, 30 ms at 0.05 s, 55 ms at 0.075 s.
    assert high.isna().tolist() == [True, False, False, True]
    assert "older than 0.03 s" in grid.rule


def test_absolute_times() -> None:
    dated = replace(table(ROWS), epoch=True)
    frame = decode_table(dated, van(), absolute=True)
    assert frame.time.iloc[1] == pd.Timestamp(1010 * MS, tz="UTC")
    with pytest.raises(UsageError, match="not a date"):
        decode_series(table(ROWS), van(), absolute=True)


def test_a_grid_needs_the_wide_layout() -> None:
    with pytest.raises(UsageError, match="wide"):
        decode_series(table(ROWS), van(), grid=Grid(every_ns=1))


def test_a_grid_of_too_many_rows_is_refused() -> None:
    frames = table([(0, 0x10, bytes(2)), (30_000, 0x10, bytes(2))])
    with pytest.raises(UsageError, match="30,000,000,000 rows"):
        decode_series(frames, van(), layout="wide", grid=Grid(1))


def test_a_capture_without_any_of_the_signals() -> None:
    for layout in ("long", "wide"):
        frame = decode_table(table([(0, 0x99, b"")]), van(), layout=layout)
        assert len(frame) == 0
        assert "time_s" in frame.columns


def test_a_stale_frame_does_not_stretch_the_grid() -> None:
    rows = [(1, 0x10, b"\x02\x00")] + [(10**12 + 10 * i, 0x10, b"\x02\x00") for i in range(100)]
    grid = Grid(every_ns=100 * MS)
    frame = decode_table(table(rows), van(), layout="wide", grid=grid)
    assert len(frame) == 10


def findings(rows, **options) -> dict[str, tuple[str, dict[str, object]]]:
    series = decode_series(table(rows, **options), van())
    list(series.pieces())
    return {f.code: (f.summary, {g.name: g.value for g in f.figures}) for f in series.findings()}


def test_what_is_odd_is_counted_and_told() -> None:
    found = findings(ROWS)
    assert set(found) == {
        "frame-short", "multiplexer-unknown", "value-out-of-range", "value-rounded",
        "identifier-unknown",
    }  # fmt: skip
    assert found["frame-short"][1] == {"short": 1, "times": 3}
    assert "(1) than the 2 defined" in found["frame-short"][0]
    assert found["multiplexer-unknown"][1] == {"unknown": 1, "times": 4}
    assert "0 to 100 rpm" in found["value-out-of-range"][0]
    assert found["identifier-unknown"][0].startswith("1 identifier on a that no")
    assert "0x099 (1)" in found["identifier-unknown"][0]


def test_long_frames_and_absent_messages() -> None:
    found = findings([(0, 0x10, b"\x02\x00\x00")])
    assert found["frame-long"][1] == {"long": 1, "times": 1}
    assert found["message-absent"][0] == "2 messages never came on a: a/n/M20, a/n/M30"


def test_a_network_without_any_frame_is_named_once() -> None:
    two = replace(van(), networks={n: Network(n, 500_000) for n in "ab"})
    moved = [replace(s, network="b") for s in two.streams if s.message.name != "M10"]
    two = replace(two, streams=(two.streams[0], *moved))
    series = decode_series(table([(0, 0x10, b"\x02\x00")]), two)
    list(series.pieces())
    (found,) = series.findings()
    assert found.code == "network-absent"
    assert found.summary == "The capture has no frame of b."
    assert found.figures[0].value == 2


def test_remote_frames_give_no_values_and_no_finding() -> None:
    series = decode_series(table([(0, 0x10, b"")], flags=REMOTE), van())
    assert sum(piece.num_rows for piece, _ in series.pieces()) == 0
    assert series.tallies()[0].remote == 1
    assert "frame-short" not in {f.code for f in series.findings()}


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 40), st.sampled_from([0x10, 0x20, 0x30])), max_size=60))
@example([(0, 0x20)] * 9 + [(1, 0x10), (1, 0x20)])
def test_windows_do_not_change_the_result(found) -> None:
    rows = [(t, i, bytes([t % 3, t] * 4)[: 8 if i == 0x30 else 2]) for t, i in found]
    frames = table(sorted(rows, key=lambda r: r[0]))
    for layout, grid in (("long", Grid()), ("wide", Grid()), ("wide", Grid(7 * MS, 11 * MS))):
        whole = decode_table(frames, van(), layout=layout, grid=grid)
        before = series_module.VALUES_AT_ONCE
        series_module.VALUES_AT_ONCE = 20
        try:
            cut = decode_table(frames, van(), layout=layout, grid=grid)
        finally:
            series_module.VALUES_AT_ONCE = before
        if layout == "long":
            keys = ["time_s", "message", "signal"]
            # As text before sorting: categories sort by when they were met, not by name.
            whole, cut = (f.astype(str).sort_values(keys, kind="stable") for f in (whole, cut))
            whole, cut = (f.reset_index(drop=True) for f in (whole, cut))
        pd.testing.assert_frame_equal(whole, cut)


@settings(max_examples=60)
@given(
    st.lists(st.lists(st.integers(0, 50), max_size=30).map(sorted), min_size=1, max_size=4),
    st.integers(1, 20),
)
def test_windows_cover_every_frame_once(times, most) -> None:
    flat = [t for run in times for t in run]
    frames = table([(t, 1, b"") for t in flat])
    runs, begin = [], 0
    for run in times:
        runs.append(np.arange(begin, begin + len(run)))
        begin += len(run)
    messages = Messages(frames)
    borders = window_borders(messages, runs, most)
    assert borders == sorted(set(borders))
    seen = [rows_within(messages, run, a, b).tolist() for a, b in pairwise(borders) for run in runs]
    assert sorted(row for rows in seen for row in rows) == list(range(len(flat)))
