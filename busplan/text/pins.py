"""Single signals over time, below each other on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.replay.track import Track, at_hand, tracks
from busplan.text.chart import TRACES, Chart, Curve, chart_lines, dot_columns, lead_of
from busplan.text.dots import Pen
from busplan.text.flags import note_flags
from busplan.text.lanes import draw_lane
from busplan.text.runs import FAINT, Line, clip
from busplan.text.ticks import round_scale
from busplan.text.tiles import NEVER_CAME
from busplan.text.timeline import Window

LEAST_LEAD = 7
"""Columns of labels at least, so that plots seldom move sideways."""


def draw_pins(
    replay: Replay,
    pins: Sequence[SignalAddress],
    columns: int,
    window: Window,
    t_ns: int,
    rows: int,
    pen: Pen = Pen(),
) -> list[Line]:
    """Each signal over the window on its own scale, states by name; ``rows`` with its heading."""
    if not at_hand(replay, pins):
        return [[("The signals are being read ...", FAINT)]] if pins else []
    found = tracks(replay, pins)
    scales = [_scale(track) for track in found]
    lead = max([LEAST_LEAD, *(lead_of(scale, rows - 2) for scale in scales)])
    over = dot_columns(
        window.a_ns, window.b_ns, max(columns - lead, 8), pen, replay.index.origin_ns
    )
    lines: list[Line] = []
    for n, (address, track, scale) in enumerate(zip(pins, found, scales, strict=True)):
        role = TRACES[n % len(TRACES)]
        now = NEVER_CAME if track is None else _now(track, t_ns)
        title: Line = [(f"{address}", role), (f"  {now}", role), (f"  {window.text}", FAINT)]
        lines.append(clip(title, columns))
        if track is None:
            continue
        if track.choices:
            lines += draw_lane(track, over, lead, t_ns, rows - 1, pen, replay.span_ns)
            continue
        low, high = replay.keep((draw_pins, address, over), partial(track.lowest_highest, over))
        chart = Chart(
            [Curve(low, high, role)],
            over,
            scale if scale[0] == scale[0] else (0.0, 1.0),
            until_ns=replay.span_ns,
            lead=lead,
            unit=track.unit,
            flags=note_flags(replay),
            cursor_ns=t_ns,
            pen=pen,
        )
        lines += chart_lines(chart, rows - 1)
    return lines


def _scale(track: Track | None) -> tuple[float, float]:
    """Round ends around the whole capture, so that the scale stands while time runs."""
    return (0.0, 1.0) if track is None else round_scale(*track.range, 4 * track.step)


def _now(track: Track, t_ns: int) -> str:
    held = track.at(t_ns)
    if not held.fresh:
        return "no value"
    unit = "" if track.named(held.value) else f" {track.unit}"
    return f"{track.text(held.value)}{unit}".rstrip()
