"""What has to fit on a network, as rows of the placement: loads, deadlines, cables, nodes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from busplan.allot.problem import Carried, Question, Sent, laid, residents
from busplan.allot.rows import Rows
from busplan.frames.columns import F64
from busplan.timing.queue_model import ONE_OFF_NS
from busplan.wire.load_limit import ROUNDING

_SHORT_NS = 50_000_000
"""Deadlines up to here get a row: below them a network can be too slow although it is not full."""

_Units = Mapping[int, int]
"""Unit → its variable of being on a network."""


def add_room(rows: Rows) -> None:
    """Rows for every network."""
    nets = rows.question.nets
    due = _Due(rows.question)
    units: list[dict[int, int]] = [{} for _ in nets]
    for (i, k), x in rows.place.items():
        units[k][i] = x
    brought: list[list[tuple[Carried, int]]] = [[] for _ in nets]
    for what, t in rows.brought.items():
        brought[what.network].append((what, t))
    for k, net in enumerate(nets):
        _load(rows, k, units[k], brought[k])
        if net.data_rate is None:
            _demand(rows, k, units[k], due)
        _trunk(rows, k, units[k])
        _stubs(rows, k, units[k])


def bits_per_s(sent: Sent, rate: int, data_rate: int | None) -> float:
    """What a message takes of a network, in bits of arbitration a second."""
    fast = sent.data_bits_per_s
    return sent.bits_per_s + (fast * rate / data_rate if data_rate else fast)


def _load(rows: Rows, k: int, units: _Units, brought: Sequence[tuple[Carried, int]]) -> None:
    question, net = rows.question, rows.question.nets[k]

    def needs(sent: Sent) -> float:
        return bits_per_s(sent, net.rate, net.data_rate)

    terms = {x: sum(map(needs, question.units[i].sent)) for i, x in units.items()}
    for what, t in brought:
        terms[t] = needs(question.units[what.unit].sent[what.message])
    held = sum(map(needs, question.fixed.get(k, ())))
    room = {rows.rate[k, b]: -(net.limit + ROUNDING) * b for b in net.rates}
    rows.row({**terms, **room}, high=-held)
    if len(units) > net.most_nodes:
        rows.row(
            dict.fromkeys(units.values(), 1.0), high=max(net.most_nodes, residents(question, k))
        )


class _Due:
    """What must be through by a deadline, unit by unit; each deadline is worked out once."""

    def __init__(self, question: Question) -> None:
        frames = [
            (i, f.grown(question.steps))
            for i, unit in enumerate(question.units)
            for sent in unit.sent
            for f in sent.frames
        ]
        # What is sent at an offset need not be queued with the others.
        hard = [(i, f) for i, f in frames if f.judged and f.deadline < ONE_OFF_NS and f.rhythm < 0]
        self._units = len(question.units)
        self._unit = np.array([i for i, _ in hard], np.int64)
        self._within = np.array([f.deadline - f.jitter for _, f in hard], np.int64)
        self._period = np.array([f.period for _, f in hard], np.int64)
        self._bits = np.array([f.bits * f.count for _, f in hard], np.int64)
        self._known: dict[int, F64] = {}
        self.short: list[set[int]] = [set() for _ in question.units]
        """The deadlines of each unit that get a row [ns], counted from queueing."""
        for i, f in frames:
            if f.judged and f.deadline <= _SHORT_NS:
                self.short[i].add(f.deadline - f.jitter)

    def bits(self, within_ns: int) -> F64:
        """Bits of each unit that must be through within a time from when all are queued."""
        if within_ns not in self._known:
            left = within_ns - self._within
            due = np.where(left >= 0, (left // self._period + 1) * self._bits, 0)
            self._known[within_ns] = np.bincount(self._unit, due, self._units).astype(np.float64)
        return self._known[within_ns]


def _demand(rows: Rows, k: int, units: _Units, due: _Due) -> None:
    """What must be through by a deadline fits into it, whatever the identifiers."""
    net = rows.question.nets[k]
    slowest = min(net.rates, default=0)
    for d in sorted(set[int]().union(*(due.short[i] for i in units))):
        each = due.bits(d)
        terms = {x: bits for i, x in units.items() if (bits := float(each[i]))}
        if sum(terms.values()) > slowest * d / 1e9:
            room = {rows.rate[k, b]: -b * d / 1e9 for b in net.rates}
            rows.row({**terms, **room}, high=1e-6)


def _trunk(rows: Rows, k: int, units: _Units) -> None:
    """The trunk reaches from the first node to the last one along the vehicle."""
    question, net = rows.question, rows.question.nets[k]
    placed = [(at, x) for i, x in units.items() if (at := question.units[i].at_m) is not None]
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


def _stubs(rows: Rows, k: int, units: _Units) -> None:
    """All stubs together, where their sum has a limit."""
    question, net = rows.question, rows.question.nets[k]
    stubs = {x: question.units[i].stub_m for i, x in units.items()}
    if not net.stubs_m or not any(stubs.values()):
        return
    today = sum(u.stub_m for u in question.units if u.home == k)
    free = sum(stubs.values())  # at a rate without such a limit
    most = {
        rows.rate[k, b]: -max(net.stubs_m.get(b, free), today if b == net.rate else 0.0)
        for b in net.rates
    }
    rows.row({**stubs, **most}, high=1e-9)
