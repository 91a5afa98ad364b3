"""What two captures say differently: identifiers, lengths, periods, bytes, values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from busplan.decode.codec import decode_message
from busplan.frames.columns import I64, U8
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.kinds import REMOTE
from busplan.replay.replay import Replay
from busplan.traffic.cycles import measured_cycle

PERIOD_PART = 0.1
"""Periods differ when one is longer than the other by more than this part."""
LOOKED_AT = 2000
"""Frames of one identifier that bytes and values are compared by, evenly spread."""
FEWEST = 5
"""So many frames at least say something of periods, bytes and values."""
WIDEST = 64
"""Bytes that are compared."""


@dataclass(frozen=True, slots=True)
class Differing:
    """One identifier that is not the same in both captures, and in what, in words."""

    key: FrameKey
    name: str
    first: int
    second: int
    what: tuple[str, ...]

    @property
    def label(self) -> str:
        """Network and identifier."""
        return f"{self.key.network}/{format_identifier(self.key.identifier, self.key.extended)}"

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "network": self.key.network,
            "identifier": format_identifier(self.key.identifier, self.key.extended),
            "message": self.name or None,
            "frames": [self.first, self.second],
            "differs": list(self.what),
        }


def differing(first: Replay, second: Replay) -> tuple[Differing, ...]:
    """Every identifier of networks that both captures hold and that differs; by network and number.

    Networks of which only one capture holds frames are left out: they were not recorded.
    """
    a, b = first.index.messages.groups, second.index.messages.groups
    shared = {k.network for k in a} & {k.network for k in b}
    found = []
    for key in sorted({*a, *b}):
        if key.network not in shared:
            continue
        rows = a.get(key, np.empty(0, np.int64)), b.get(key, np.empty(0, np.int64))
        what = tuple(_what(first, second, key, *rows))
        if what:
            found.append(
                Differing(key, _name(first, second, key), len(rows[0]), len(rows[1]), what)
            )
    return tuple(found)


def _name(first: Replay, second: Replay, key: FrameKey) -> str:
    for replay in (first, second):
        number = replay.lines.number.get(key)
        message = None if number is None else replay.lines.lines[number].message
        if message is not None:
            return message.name
    return ""


def _what(first: Replay, second: Replay, key: FrameKey, a: I64, b: I64) -> Iterator[str]:
    if not len(a) or not len(b):
        yield "only in the second" if not len(a) else "only in the first"
        return
    one, other = _lengths(first, a), _lengths(second, b)
    if one != other:
        yield f"lengths {_listed(one)} and {_listed(other)}"
    if min(len(a), len(b)) < FEWEST:
        return
    yield from _period(first, second, a, b)
    number = first.lines.number.get(key)
    message = None if number is None else first.lines.lines[number].message
    if message is not None and any(s.condition or s.selects for s in message.signals):
        pass  # pages differ from frame to frame; their values are compared below
    elif one == other:
        yield from _bytes(_sample(first, a), _sample(second, b), defined=message is not None)
    if message is not None:
        yield from _values(first, second, key, a, b)


def _lengths(replay: Replay, rows: I64) -> tuple[int, ...]:
    table, at = replay.index.messages.pick(rows)
    return tuple(np.unique(table.length[at]).tolist())


def _listed(lengths: tuple[int, ...]) -> str:
    return "+".join(map(str, lengths))


def _period(first: Replay, second: Replay, a: I64, b: I64) -> Iterator[str]:
    cycles = [
        measured_cycle(replay.index.messages.times(rows))
        for replay, rows in ((first, a), (second, b))
    ]
    if cycles[0] is None or cycles[1] is None:
        return
    one, other = cycles[0].median_ns, cycles[1].median_ns
    if min(one, other) > 0 and max(one, other) > (1 + PERIOD_PART) * min(one, other):
        yield f"period {one / 1e6:.1f} and {other / 1e6:.1f} ms"


def _spread(rows: I64) -> I64:
    if len(rows) <= LOOKED_AT:
        return rows
    return rows[np.linspace(0, len(rows) - 1, LOOKED_AT).astype(np.int64)]


def _sample(replay: Replay, rows: I64) -> U8:
    table, at = replay.index.messages.pick(_spread(rows))
    at = at[(table.flags[at] & REMOTE) == 0]
    if not len(at):
        return np.empty((0, 0), np.uint8)
    return table.payload_matrix(at, min(int(table.length[at].max()), WIDEST))


def _bytes(one: U8, other: U8, *, defined: bool) -> Iterator[str]:
    """Bytes that rest in one capture only, or rest at different values."""
    if not len(one) or not len(other) or one.shape[1] != other.shape[1]:
        return
    rests = [(part == part[0]).all(axis=0) for part in (one, other)]
    both = rests[0] & rests[1] & (one[0] != other[0])
    if both.any() and not defined:
        told = (f"{i}: {one[0, i]:02X} and {other[0, i]:02X}" for i in np.flatnonzero(both)[:4])
        yield f"resting bytes {', '.join(told)}"
    for here, there, which in ((0, 1, "second"), (1, 0, "first")):
        moved = np.flatnonzero(rests[here] & ~rests[there]).tolist()
        if moved and not defined:
            yield (
                f"{'byte' if len(moved) == 1 else 'bytes'} {', '.join(map(str, moved[:8]))} "
                f"{'moves' if len(moved) == 1 else 'move'} only in the {which}"
            )


def _values(first: Replay, second: Replay, key: FrameKey, a: I64, b: I64) -> Iterator[str]:
    """States that only one capture saw, and values whose ranges have nothing in common."""
    found = []
    for replay, rows in ((first, a), (second, b)):
        number = replay.lines.number.get(key)
        message = None if number is None else replay.lines.lines[number].message
        if message is None:
            return
        found.append(decode_message(*replay.index.messages.pick(_spread(rows)), message))
    one, other = found
    for name, column in one.signals.items():
        if name not in other.signals or column.signal.selects:
            continue
        x = column.values[column.present]
        y = other.signals[name].values[other.signals[name].present]
        if not len(x) or not len(y):
            continue
        unit = f" {column.signal.unit}".rstrip()
        if column.signal.choices:
            mine, theirs = (set(c.texts()[c.present].tolist()) for c in (column, other[name]))
            for only, which in ((mine - theirs, "first"), (theirs - mine, "second")):
                names = sorted(n for n in only if n)
                if names:
                    yield f"{name} {', '.join(names[:4])} only in the {which}"
        elif x.max() < y.min() or y.max() < x.min():
            yield f"{name} {_range(x)} and {_range(y)}{unit}"


def _range(values: np.ndarray) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:.6g}" if low == high else f"{low:.6g} to {high:.6g}"
