"""The messages: every identifier with its sender, cycle, age and decoded values."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from busplan.findings import Weight
from busplan.plan.vehicle import SignalAddress
from busplan.replay.lines import NEVER
from busplan.replay.lines import Line as MessageLine
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.values import Value
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, clip, fill, flow, fold, merge, span_text
from busplan.wording import counted

OFF_CYCLE = 0.1
"""A measured cycle is marked when it is off the stated one by more than this part."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Widths of the message table for a screen."""

    network: int
    name: int
    sender: int

    @staticmethod
    def whole(replay: Replay) -> Columns:
        """Nothing is cut."""
        lines = replay.lines.lines
        return Columns(
            max((len(line.key.network) for line in lines), default=0),
            max((len(line.name) for line in lines), default=1),
            max((len(line.senders) for line in lines), default=1),
        )

    @staticmethod
    def fit(replay: Replay, columns: int) -> Columns:
        """Wide screens show the network and whole names."""
        whole = Columns.whole(replay)
        most = (4, 18, 0) if columns < 100 else (whole.network, 24, 16)
        return Columns(
            min(whole.network, most[0]), min(whole.name, most[1]), min(whole.sender, most[2])
        )


def draw_heading(columns: int, fit: Columns) -> Line:
    """The names of the columns."""
    sender = f"{'sender':<{fit.sender}} " if fit.sender else ""
    names = (
        f"{'net'[: fit.network]:<{fit.network}} {'identifier':<10} {'message':<{fit.name}} "
        f"{sender}{'cycle ms':>11} {'age':>6}  values"
    )
    return clip([(names, HEAD)], columns)


def draw_message(
    replay: Replay,
    snapshot: Snapshot,
    number: int,
    columns: int,
    fit: Columns,
    *,
    chosen: bool = False,
    pinned: Collection[SignalAddress] = (),
) -> Line:
    """One line of the table."""
    out = head_runs(replay, snapshot, number, fit)
    for part in parts_of(replay, snapshot, number, pinned):
        out += [*part, (" ", PLAIN)]
    out = clip(out, columns)
    if chosen:
        out = [(piece, f"{each}+chosen-row") for piece, each in fill(out, columns)]
    return merge(out)


def head_runs(replay: Replay, snapshot: Snapshot, number: int, fit: Columns) -> Line:
    """Network, identifier, name, senders, cycle and age of a line."""
    line = replay.lines.lines[number]
    ages = snapshot.ages
    age = int(ages.age_ns[number])
    stale = bool(ages.stale[number])
    role = "stale" if stale or age == NEVER else PLAIN
    return [
        (f"{line.key.network[: fit.network]:<{fit.network}} ", FAINT),
        (f"{line.label:<10} ", "stale" if role == "stale" else HEAD),
        (
            _cut(line.name, fit.name) + " ",
            "caution" if line.message is None and not line.parts else role,
        ),
        *_sender_runs(line, fit),
        *cycle_runs(line, float(ages.cycle_ns[number])),
        (f" {age_text(age):>6}{'~' if stale else ' '} ", role if stale else FAINT),
    ]


def _sender_runs(line: MessageLine, fit: Columns) -> Line:
    """The senders; where there is no column for them only a clash, which nobody must overlook."""
    clash = len(line.streams) > 1
    if fit.sender:
        return [(_cut(line.senders, fit.sender) + " ", "fault" if clash else FAINT)]
    return [(f"{Weight.FAULT.mark}{len(line.streams)} senders ", "fault")] if clash else []


def parts_of(
    replay: Replay, snapshot: Snapshot, number: int, pinned: Collection[SignalAddress] = ()
) -> list[Line]:
    """The values of a line, one part a signal, or its bytes when nobody defines it."""
    line, ages = replay.lines.lines[number], snapshot.ages
    position = int(ages.position[number])
    if line.message is None:
        return [raw_runs(replay, position)]
    values = replay.values(line, position)
    changed = replay.changed(line, position, int(ages.earlier[number]))
    pins = pins_of(replay, line, pinned)
    return value_parts(values, changed, None, pins, bool(ages.stale[number]))


def draw_chosen(
    replay: Replay,
    snapshot: Snapshot,
    number: int,
    columns: int,
    signal: int,
    pinned: Collection[SignalAddress] = (),
) -> list[Line]:
    """Everything about one message: who sends it, how often and by whose word, all its values.

    ``signal`` is the number of the chosen signal.
    """
    line = replay.lines.lines[number]
    ages = snapshot.ages
    cycle = line.cycle
    head: Line = [
        (f"{line.key.network}/{line.senders}/{line.name}", HEAD),
        (f"  {line.label}  {counted(int(ages.count[number]), 'frame')}", FAINT),
        (f"  cycle {cycle.ms:g} ms ({cycle.origin})" if cycle else "  no stated cycle", FAINT),
    ]
    lines = fold(head, columns, 2)
    position = int(ages.position[number])
    if line.message is None:
        return [*lines, *fold(raw_runs(replay, position), columns)]
    values = replay.values(line, position)
    changed = replay.changed(line, position, int(ages.earlier[number]))
    pins = pins_of(replay, line, pinned)
    return [
        *lines,
        *flow(value_parts(values, changed, signal, pins, bool(ages.stale[number])), columns, []),
    ]


def pins_of(replay: Replay, line: MessageLine, pinned: Collection[SignalAddress]) -> set[str]:
    """The pinned signals of a line."""
    return {a.signal for a in pinned if replay.line_of(a) is line}


def age_text(age_ns: int) -> str:
    """An age to a tenth of a second, so that it does not flicker."""
    if age_ns == NEVER:
        return "never"
    return f"{age_ns / 1e9:.1f} s" if age_ns < 99_950_000_000 else span_text(age_ns)


def cycle_runs(line: MessageLine, measured_ns: float) -> Line:
    """Measured against stated cycle [ms], ``!`` where they differ."""
    stated = line.cycle
    measured = f"{measured_ns / 1e6:.0f}" if measured_ns == measured_ns else "-"
    text = f"{measured}/{stated.ms:g}" if stated else measured
    off = (
        stated is not None
        and measured_ns == measured_ns
        and abs(measured_ns - stated.ns) > OFF_CYCLE * stated.ns
    )
    return [(f"{text:>10}{'!' if off else ' '}", "caution" if off else FAINT)]


def raw_runs(replay: Replay, position: int) -> Line:
    """The payload bytes of a frame that nobody defines."""
    if position < 0:
        return []
    payload = replay.index.messages.bytes_of(int(replay.index.rows[position]))
    return [(payload.hex(" ").upper(), PLAIN)]


def value_parts(
    values: tuple[Value, ...],
    changed: frozenset[str],
    signal: int | None,
    pins: Collection[str],
    stale: bool,
) -> list[Line]:
    """Signals with their values; what changed just now ends in ``'``, a pinned one has ``*``."""
    parts: list[Line] = []
    for i, value in enumerate(values):
        name = value.signal.name
        fresh = name in changed
        role = "stale" if stale or value.number is None else "changed" if fresh else PLAIN
        lead = "*" if name in pins else ""
        chosen = "chosen" if i == signal else FAINT
        text = value.text + ("'" if fresh else " ")
        parts.append([(f"{lead}{name}", chosen), (" ", PLAIN), (text, role)])
    return parts


def _cut(text: str, columns: int) -> str:
    return f"{text:<{columns}}" if len(text) <= columns else text[: columns - 1] + "…"
