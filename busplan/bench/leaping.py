"""Values that leap as defined and are steady in the other byte order, where no range tells.

The rules of this file: pure. Steadiness is no proof, so it makes a caution. Only values of whole
bytes, two at least, tell. In a message all of them that move have to be no rougher in the other
order, and at least one leaps as defined; of all such messages together at least two values leap,
or move in steps of their high byte only. What counts by one number modulo its width is none.
Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from busplan.bench.content_changes import other_byte_order
from busplan.bench.content_differs import (
    COARSE,
    FEWEST_FRAMES,
    JUMP,
    LEAST_WRONG,
    MOVING_STEPS,
    SAMPLE,
    STEADY,
    telling,
)
from busplan.bench.node_report import MessageProof
from busplan.decode.codec import DecodedSignal, decode_message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import listing

RATIO = 3.0
"""As defined a value has to be rougher than in the other order by this factor."""
FEWEST_LEAPS = 3
"""So many steps across much of its travel make a value leap."""
NO_ROUGHER = 1.25
"""A value alike in both orders may be rougher in the other one by this factor, by chance."""
COUNTS = 0.5
"""A value of which this share of steps is the same number, other than none, counts something."""


class _Path(NamedTuple):
    """How a value moves: mean and largest step as shares of its travel, and how often it leaps.

    And whether it counts, moves in steps of its high byte only, keeps to its stated range.
    """

    rough: float
    largest: float
    leaps: int
    counts: bool
    coarse: bool
    in_range: bool


class _Leaping(NamedTuple):
    """A message of which values leap: how many tell, and the one that leaps most."""

    stream: Stream
    telling: int
    most: str
    defined: float
    other: float


def explain_leaps(
    table: FrameTable,
    proofs: Sequence[MessageProof],
    own: Sequence[Stream],
    explained: Collection[str],
) -> tuple[Finding, ...]:
    """A caution where messages are steady in the other byte order alone, but for ``explained``."""
    found = []
    for proof, stream in zip(proofs, own, strict=True):
        if proof.frames >= FEWEST_FRAMES and proof.message.name not in explained:
            leaping = _leaping(table, proof, stream)
            if leaping is not None:
                found.append(leaping)
    if sum(one.telling for one in found) < LEAST_WRONG:
        return ()
    return (_finding(found),)


def _leaping(table: FrameTable, proof: MessageProof, stream: Stream) -> _Leaping | None:
    message = stream.message
    changed = {}
    for one in proof.signals:
        if one.role != "value" or one.constant or not message.has(one.name):
            continue
        signal = message.signal(one.name)
        if not telling(signal) or signal.is_float:
            continue
        turned = other_byte_order(signal)
        if turned is not None and turned != signal:
            changed[one.name] = turned
    rows = table.rows_of(stream.key)[:SAMPLE]
    if not changed or len(rows) < FEWEST_FRAMES:
        return None
    defined = _paths(decode_message(table, rows, message, list(changed)).signals)
    defined = {name: path for name, path in defined.items() if not path.counts}
    if not any(path.leaps >= FEWEST_LEAPS for path in defined.values()):
        return None
    swapped = replace(message, signals=tuple(changed.values()))
    others = _paths(decode_message(table, rows, swapped, list(defined)).signals)
    leaping, tell = [], 0
    for name, path in defined.items():
        other = others.get(name)
        if other is None:
            continue
        if other.rough > NO_ROUGHER * path.rough or not other.in_range:
            return None
        if path.leaps >= FEWEST_LEAPS:
            steady = other.rough <= STEADY and other.largest <= JUMP
            if not steady or path.rough < RATIO * other.rough:
                return None
            leaping.append((path.rough, other.rough, name))
        tell += path.leaps >= FEWEST_LEAPS or (path.coarse and not other.coarse)
    if not leaping:
        return None
    rough, steady_rough, name = max(leaping)
    return _Leaping(stream, tell, name, rough, steady_rough)


def _paths(columns: Mapping[str, DecodedSignal]) -> dict[str, _Path]:
    """How each value that moves does so."""
    paths = {}
    for name, column in columns.items():
        raw = column.raw[column.present]
        if len(raw) < FEWEST_FRAMES:
            continue
        values = raw.astype(np.float64)
        travel = float(np.ptp(values))
        if travel <= MOVING_STEPS:
            continue
        steps = np.diff(values)
        around, counts = np.unique(steps % 2.0**column.signal.length, return_counts=True)
        same = int(counts[around != 0].max(initial=0))
        shares = np.abs(steps) / travel
        paths[name] = _Path(
            rough=float(shares.mean()),
            largest=float(shares.max()),
            leaps=int((shares > JUMP).sum()),
            counts=same > COUNTS * len(steps),
            coarse=int(np.gcd.reduce(np.abs(np.diff(raw.astype(np.int64))))) >= COARSE,
            in_range=not column.out_of_range.any(),
        )
    return paths


def _finding(found: Sequence[_Leaping]) -> Finding:
    names = [one.stream.message.name for one in found]
    values = sum(one.telling for one in found)
    first, most = found[0].stream, max(found, key=lambda one: one.defined)
    return Finding(
        "definition-differs",
        Weight.CAUTION,
        Where(first.network, first.node, names[0] if len(names) == 1 else None),
        f"with the other byte order {values} values of {listing(names)} are steady; as defined "
        f"they leap: {most.most} by {most.defined:.2g} of its travel from frame to frame in the "
        f"mean, in the other order by {most.other:.2g}",
        why="Steadiness alone says so, no stated range does; if it is right, every receiver that "
        "follows this definition reads nonsense.",
        action="Compare one value with an instrument, or ask the maker for the byte order.",
        figures=(
            Figure("values", values),
            Figure("messages", len(names)),
            Figure("step as defined", most.defined),
            Figure("step in the other order", most.other),
        ),
    )
