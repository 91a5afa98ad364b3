"""The span from A to B in figures."""

from __future__ import annotations

import math
from collections.abc import Sequence

from busplan.pack.labels import short_cell, short_sensor
from busplan.replay.replay import Replay
from busplan.replay.span import SignalSpan, Span
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, clip, clock_text, span_text
from busplan.wording import percent, quoted

MOST_MESSAGES = 12


def draw_span(span: Span, columns: int, names: dict[object, str]) -> list[Line]:
    """Loads, pinned signals, cells, sensors, and the messages that were most irregular.

    ``names`` maps signal addresses to what users call them.
    """
    lines: list[Line] = [
        [
            ("A to B  ", HEAD),
            (f"{clock_text(span.a_ns)} to {clock_text(span.b_ns)}", PLAIN),
            (f"  ({span_text(span.b_ns - span.a_ns)})", FAINT),
        ],
        [],
        [(f"{'network':<12}{'mean load':>10}{'highest s':>10}{'frames':>10}{'errors':>8}", HEAD)],
    ]
    for net in span.networks:
        if net.frames or net.errors:
            lines.append(
                [
                    (f"{net.network:<12}{percent(net.mean):>10}{percent(net.highest):>10}", PLAIN),
                    (f"{net.frames:>10}", PLAIN),
                    (
                        f"{net.errors:>8}{'!' if net.errors else ''}",
                        "caution" if net.errors else PLAIN,
                    ),
                ]
            )
    for title, signals, decimals in (
        ("pinned", span.chosen, 3),
        ("cells", span.cells, 3),
        ("sensors", span.sensors, 1),
    ):
        if signals:
            lines += [[], *_signals(title, signals, decimals, names)]
    lines += [[], *_messages(span)]
    return [clip(line, columns) for line in lines]


def _signals(
    title: str, signals: Sequence[SignalSpan], decimals: int, names: dict[object, str]
) -> list[Line]:
    heads = "".join(f"{h:>10}" for h in ("lowest", "mean", "highest", "first", "last", "change"))
    lines: list[Line] = [[(f"{title:<15}{heads}", HEAD)]]
    seen = [s for s in signals if s.count]
    if title in ("cells", "sensors") and not seen:
        lines.append([("no value from A to B", FAINT)])
    elif title in ("cells", "sensors") and len(seen) > 4:
        for word, s in _extremes(seen):
            lines += _signal(f"{word} {names.get(s.address, s.address.signal)}", s, decimals)
    else:
        own = [s.address.signal for s in signals]
        for s in signals:
            # Signals of one name are told apart by their nodes.
            alike = own.count(s.address.signal) > 1
            name = f"{s.address.signal} {s.address.node}" if alike else s.address.signal
            lines += _signal(names.get(s.address, name), s, decimals)
    return lines


def _extremes(signals: Sequence[SignalSpan]) -> list[tuple[str, SignalSpan]]:
    """The signals that were lowest, highest, and changed least and most."""
    return [
        ("low", min(signals, key=lambda s: s.minimum)),
        ("high", max(signals, key=lambda s: s.maximum)),
        ("least", min(signals, key=lambda s: abs(s.last - s.first))),
        ("most", max(signals, key=lambda s: abs(s.last - s.first))),
    ]


def _signal(name: str, s: SignalSpan, decimals: int) -> list[Line]:
    if s.texts:
        return _named(name, 15, FAINT, [(quoted(s.texts), PLAIN)])
    figures = (s.minimum, s.mean, s.maximum, s.first, s.last, s.last - s.first)
    text = "".join(
        f"{'-':>10}" if math.isnan(value) else f"{value:>10.{decimals}f}" for value in figures
    )
    return _named(name, 15, FAINT, [(text, PLAIN), (f" {s.unit}", FAINT)])


def _named(name: str, columns: int, role: str, figures: Line) -> list[Line]:
    """Figures behind their name, or below it when it is too long for its columns."""
    if len(name) < columns:
        return [[(f"{name:<{columns}}", role), *figures]]
    return [[(name, role)], [(" " * columns, PLAIN), *figures]]


def _messages(span: Span) -> list[Line]:
    lines: list[Line] = [
        [
            (f"{'message, most irregular first':<40}{'frames':>8}{'cycle ms':>10}", HEAD),
            (f"{'jitter':>9}{'longest':>10}", HEAD),
        ]
    ]
    measured = [m for m in span.messages if m.cycle and m.cycle.median_ns]
    measured.sort(key=lambda m: -(m.longest_ns / m.cycle.median_ns if m.cycle else 0))
    for m in measured[:MOST_MESSAGES]:
        assert m.cycle is not None
        far = m.longest_ns > 2 * m.cycle.median_ns
        said = f"{m.line.senders}/{m.line.name}" if m.line.message else m.line.label
        name = f"{m.line.key.network}/{said}"
        figures: Line = [
            (f"{m.frames:>8}{m.cycle.median_ns / 1e6:>10.1f}", PLAIN),
            (f"{m.cycle.jitter_ns / 1e6:>9.1f}", PLAIN),
            (f"{m.longest_ns / 1e6:>10.1f}{'!' if far else ''}", "caution" if far else PLAIN),
        ]
        lines += _named(name, 40, PLAIN, figures)
    return lines


def place_names(replay: Replay) -> dict[object, str]:
    """What users call the signals that are cells and sensors."""
    layout = replay.vehicle.pack
    if layout is None:
        return {}
    return {
        **{c.address: short_cell(c) for c in layout.cells},
        **{s.address: short_sensor(s) for s in layout.sensors},
    }
