"""What has to fit on a network, as rows of the placement: loads, deadlines, cables, nodes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busplan.allot.problem import Frames, Question, Sent, laid, residents
from busplan.allot.rows import Rows
from busplan.timing.queue_model import ONE_OFF_NS
from busplan.wire.load_limit import ROUNDING

_SHORT_NS = 50_000_000
"""Deadlines up to here get a row: below them a network can be too slow although it is not full."""


def add_room(rows: Rows) -> None:
    """Rows for every network."""
    for k, net in enumerate(rows.question.nets):
        _load(rows, k)
        if net.data_rate is None:
            _demand(rows, k)
        _trunk(rows, k)
        _stubs(rows, k)


def bits_per_s(sent: Sent, rate: int, data_rate: int | None) -> float:
    """What a message takes of a network, in bits of arbitration a second."""
    fast = sent.data_bits_per_s
    return sent.bits_per_s + (fast * rate / data_rate if data_rate else fast)


def _on(rows: Rows, k: int) -> dict[int, int]:
    """Unit → its variable of being on a network."""
    return {i: x for (i, where), x in rows.place.items() if where == k}


def _load(rows: Rows, k: int) -> None:
    question, net = rows.question, rows.question.nets[k]
    units = _on(rows, k)

    def needs(sent: Sent) -> float:
        return bits_per_s(sent, net.rate, net.data_rate)

    terms = {x: sum(map(needs, question.units[i].sent)) for i, x in units.items()}
    for what, t in rows.brought.items():
        if what.network == k:
            terms[t] = needs(question.units[what.unit].sent[what.message])
    held = sum(map(needs, question.fixed.get(k, ())))
    room = {rows.rate[k, b]: -(net.limit + ROUNDING) * b for b in net.rates}
    rows.row({**terms, **room}, high=-held)
    if len(units) > net.most_nodes:
        rows.row(
            dict.fromkeys(units.values(), 1.0), high=max(net.most_nodes, residents(question, k))
        )


def _demand(rows: Rows, k: int) -> None:
    """What must be through by a deadline fits into it, whatever the identifiers."""
    question, net = rows.question, rows.question.nets[k]
    units = _on(rows, k)
    short = {
        f.deadline - f.jitter
        for i in units
        for s in question.units[i].sent
        for f in _grown(question, s)
        if f.judged and f.deadline <= _SHORT_NS
    }
    slowest = min(net.rates, default=0)
    for d in sorted(short):
        terms = {
            x: float(sum(_due(_grown(question, s), d) for s in question.units[i].sent))
            for i, x in units.items()
        }
        terms = {x: bits for x, bits in terms.items() if bits}
        if sum(terms.values()) > slowest * d / 1e9:
            room = {rows.rate[k, b]: -b * d / 1e9 for b in net.rates}
            rows.row({**terms, **room}, high=1e-6)


def _grown(question: Question, sent: Sent) -> tuple[Frames, ...]:
    """The frames of a message as often as they shall be borne."""
    return tuple(f.grown(question.steps) for f in sent.frames)


def _due(frames: Sequence[Frames], within_ns: int) -> int:
    """Bits that must be through within a time from the moment when all are queued.

    What is sent at an offset need not be queued with the others.
    """
    bits = 0
    for f in frames:
        left = within_ns - (f.deadline - f.jitter)
        if f.judged and left >= 0 and f.deadline < ONE_OFF_NS and f.rhythm < 0:
            bits += (left // f.period + 1) * f.bits * f.count
    return bits


def _trunk(rows: Rows, k: int) -> None:
    """The trunk reaches from the first node to the last one along the vehicle."""
    question, net = rows.question, rows.question.nets[k]
    placed = [
        (at, x) for i, x in _on(rows, k).items() if (at := question.units[i].at_m) is not None
    ]
    far = max((at for at, _ in placed), default=0.0)
    if len(placed) < 2 or far <= 0:
        return
    low, high = (rows.variable(0.0, far, whole=False) for _ in range(2))
    more = rows.variable(question.costs.metre, far, whole=False)
    for at, x in placed:
        rows.row({low: 1.0, x: far - at}, high=far)
        rows.row({high: 1.0, x: -at}, low=0)
    base = laid(question, k)
    rows.row({more: 1.0, high: -1.0, low: 1.0}, low=-base)
    most = {rows.rate[k, b]: -max(net.longest_m.get(b, np.inf) - base, 0.0) for b in net.rates}
    if all(np.isfinite(w) for w in most.values()):
        rows.row({more: 1.0, **most}, high=0)


def _stubs(rows: Rows, k: int) -> None:
    """All stubs together, where their sum has a limit."""
    question, net = rows.question, rows.question.nets[k]
    stubs = {x: question.units[i].stub_m for i, x in _on(rows, k).items()}
    if not net.stubs_m or not any(stubs.values()):
        return
    today = sum(u.stub_m for u in question.units if u.home == k)
    free = sum(stubs.values())  # at a rate without such a limit
    most = {
        rows.rate[k, b]: -max(net.stubs_m.get(b, free), today if b == net.rate else 0.0)
        for b in net.rates
    }
    rows.row({**stubs, **most}, high=1e-9)
