"""The fixed points of one network solved: queues, sessions and priorities until all agree."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from busplan.timing import fixed_point
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.queue_model import PlacedSession, QueueModel, Status
from busplan.timing.rhythms import Rhythms, rhythms_of
from busplan.timing.sessions import SPACED_FROM_NS

HORIZON_NS = 10 * 10**9
"""A busy period longer than this counts as one that never ends."""

SESSION_HORIZON_NS = 3600 * 10**9
"""So long may sessions of one node keep each other waiting; longer counts as for ever."""

MOST_ROUNDS = 200
"""After so many rounds sessions that still make each other longer count as without a bound."""

COMPILED_FROM = 80
"""Messages on a network from which compiled fixed points pay for loading the compiler."""

COMPILED_FROM_RELEASES = 400
"""Releases of its rhythms from which they do too."""


@dataclass(frozen=True, slots=True)
class Solution:
    """Response times [ns] (:data:`UNBOUNDED` where there is none) and where they come from.

    ``instance`` is q, ``window`` the queuing delay w [ns]; ``head`` is f_k and ``queued`` the
    moment a [ns], for first-in-first-out queues; ``frame``, ``period`` and ``jitter`` are those of
    the model with what sessions add to the jitter of their parts. ``spaced`` marks parts that count
    one by one; ``rhythms`` are those of the model.
    ``in_time`` is false when a deadline is missed or a busy period never ends; with
    ``stop_at_miss`` the lists are then incomplete.
    """

    response: list[int]
    instance: list[int]
    window: list[int]
    head: list[int]
    queued: list[int]
    frame: list[int]
    period: list[int]
    jitter: list[int]
    spaced: list[bool]
    rhythms: Rhythms
    in_time: bool


def solve(model: QueueModel, *, fault_every: int = 0, stop_at_miss: bool = False) -> Solution:
    """Solve the fixed points of one network; ``fault_every`` [ns] 0 means no bus errors."""
    n = len(model.frame)
    head = [UNBOUNDED if j == UNBOUNDED else 0 for j in model.inherited]
    solution = Solution(
        response=[UNBOUNDED] * n,
        instance=[0] * n,
        window=[0] * n,
        head=head,
        queued=[0] * n,
        frame=list(model.frame),
        period=list(model.period),
        jitter=list(model.jitter),
        spaced=list(model.spaced),
        rhythms=rhythms_of(model),
        in_time=True,
    )
    in_time = _solve_queues(model, solution, fault_every)
    rounds = 0
    while _settle_sessions(model, solution, fault_every, rounds >= MOST_ROUNDS):
        rounds += 1
        in_time = _solve_queues(model, solution, fault_every)
    carried = {placed.place for placed in model.sessions}
    proven = [
        status is Status.PROVEN and not inside
        for status, inside in zip(model.status, model.part, strict=True)
    ]
    for i in range(n):
        if proven[i] and (model.queue[i] >= 0 or i in carried):
            late = solution.response[i] > model.deadline[i]
            in_time = in_time and solution.response[i] >= 0 and not late
    if in_time or not stop_at_miss:
        skip = [q >= 0 or not p for q, p in zip(model.queue, proven, strict=True)]
        for i in carried:
            skip[i] = True
        in_time = _solve_priorities(model, solution, skip, fault_every, stop_at_miss) and in_time
    pairs = zip(solution.response, model.deadline, proven, strict=True)
    if in_time and not stop_at_miss:
        in_time = all(0 <= r <= d for r, d, p in pairs if p)
    return replace(solution, in_time=bool(in_time))


def _solve_priorities(
    model: QueueModel, out: Solution, skip: list[bool], fault_every: int, stop_at_miss: bool
) -> bool:
    inputs = [model.upto, model.single, out.frame, out.period, out.jitter, model.inherited]
    inputs += [model.deadline, out.head]
    results = [out.response, out.instance, out.window]
    settings = (model.bit, fault_every, model.fault_cost, HORIZON_NS, stop_at_miss)
    joined, rhythms = out.rhythms.joined, out.rhythms.columns
    few = len(out.rhythms.release) < COMPILED_FROM_RELEASES
    if len(model.frame) < COMPILED_FROM and few:
        function: Callable[..., bool] = fixed_point.priority_responses
        return function(*inputs, skip, joined, *rhythms, *settings, *results)
    import numpy as np

    from busplan.timing import compiled_fixed_point as compiled

    function = compiled.priority_responses
    arrays = [np.array(values, np.int64) for values in inputs]
    filled = [np.array(values, np.int64) for values in results]
    columns = [np.array(values, np.int64) for values in rhythms]
    fine = function(*arrays, np.array(skip), np.array(joined), *columns, *settings, *filled)
    for values, found in zip(results, filled, strict=True):
        values[:] = found.tolist()
    return bool(fine)


def _solve_queues(model: QueueModel, out: Solution, fault_every: int) -> bool:
    """Settle f_k over all first-in-first-out queues of the network, from f = 0 upwards."""
    queues = sorted({q for q in model.queue if q >= 0})
    delays = dict.fromkeys(queues, 0)
    changed = bool(queues)
    while changed:
        changed = False
        for q in queues:
            if delays[q] == UNBOUNDED:
                continue
            delay, queued = _fifo_delay(model, q, out, fault_every)
            if delay != delays[q]:
                delays[q] = delay
                changed = True
                for k, other in enumerate(model.queue):
                    if other == q:
                        out.head[k] = delay
                        out.queued[k] = queued
    for q in queues:
        inside = [k for k, other in enumerate(model.queue) if other == q]
        shortest = min(model.single[k] for k in inside)
        for k in inside:
            if delays[q] == UNBOUNDED:
                out.response[k] = UNBOUNDED
            else:
                own = model.jitter[k] - max(model.inherited[k], 0)
                out.response[k] = own + delays[q] + shortest
                out.window[k] = delays[q] + out.queued[k]
    return all(d != UNBOUNDED for d in delays.values())


def _fifo_delay(model: QueueModel, queue: int, out: Solution, fault_every: int) -> tuple[int, int]:
    member = [q == queue for q in model.queue]
    if any(h == UNBOUNDED for h, inside in zip(out.head, member, strict=True) if inside):
        return UNBOUNDED, 0
    inputs = [model.upto, model.single, out.frame, out.period, out.jitter, out.head]
    settings = (model.bit, fault_every, model.fault_cost, HORIZON_NS)
    if len(model.frame) < COMPILED_FROM:
        function: Callable[..., tuple[int, int]] = fixed_point.fifo_delay
        return function(member, *inputs, *settings)
    import numpy as np

    from busplan.timing import compiled_fixed_point as compiled

    function = compiled.fifo_delay
    arrays = [np.array(values, np.int64) for values in inputs]
    delay, queued = function(np.array(member), *arrays, *settings)
    return int(delay), int(queued)


def _settle_sessions(
    model: QueueModel, out: Solution, fault_every: int, out_of_patience: bool
) -> bool:
    """Response times of sessions as queues and jitters stand; whether a jitter grew by it.

    A session takes the worst case of each of its frames, one after the other, and all its gaps;
    before that it waits for the other sessions of its chain. As long as it lasts a frame of it may
    be queued, so that counts as jitter of its parts when they delay others.
    """
    grown = False
    for chain in _chains(model):
        lengths = [_length(model, placed, chain, out, fault_every) for placed in chain]
        done = UNBOUNDED if out_of_patience else _done(model, chain, lengths)
        for placed in chain:
            i = placed.place
            if done == UNBOUNDED:
                out.response[i] = UNBOUNDED
            else:
                took = done - placed.session.pause_ns
                out.response[i] = model.streams[i].jitter_ns + took
            for k in placed.entries:
                if out.spaced[k]:
                    continue
                if done == UNBOUNDED and placed.session.pause_ns >= SPACED_FROM_NS:
                    # However many pile up, their sender keeps its pace.
                    out.spaced[k] = grown = True
                    out.frame[k], out.period[k] = model.single[k], placed.session.pause_ns
                    out.jitter[k] = 0
                elif done == UNBOUNDED:
                    grown = grown or out.head[k] != UNBOUNDED
                    out.head[k] = UNBOUNDED
                elif model.jitter[i] + done > out.jitter[k]:
                    grown = True
                    out.jitter[k] = model.jitter[i] + done
    return grown


def _chains(model: QueueModel) -> list[list[PlacedSession]]:
    chains: dict[tuple[str, ...], list[PlacedSession]] = {}
    for placed in model.sessions:
        chains.setdefault(placed.session.chain, []).append(placed)
    return list(chains.values())


def _length(
    model: QueueModel,
    placed: PlacedSession,
    chain: Sequence[PlacedSession],
    out: Solution,
    fault_every: int,
) -> int:
    """How long a session takes from the queueing of its first frame on [ns]."""
    own = [False] * len(model.frame)
    for other in chain:
        for k in other.entries:
            own[k] = True
    total = sum(placed.session.gap_ns)
    for k, count in zip(placed.entries, placed.counts, strict=True):
        one = out.response[k] if model.queue[k] >= 0 else _frame(model, k, own, out, fault_every)
        if one == UNBOUNDED:
            return UNBOUNDED
        total += count * one
    return total


def _frame(model: QueueModel, k: int, own: list[bool], out: Solution, fault_every: int) -> int:
    inputs = [model.upto, model.single, out.frame, out.period, out.jitter, out.head]
    settings = (model.bit, fault_every, model.fault_cost, HORIZON_NS)
    if len(model.frame) < COMPILED_FROM:
        function: Callable[..., int] = fixed_point.lone_response
        return function(k, own, *inputs, *settings)
    import numpy as np

    from busplan.timing import compiled_fixed_point as compiled

    arrays = [np.array(values, np.int64) for values in inputs]
    return int(compiled.lone_response(k, np.array(own), *arrays, *settings))


def _done(model: QueueModel, chain: Sequence[PlacedSession], lengths: Sequence[int]) -> int:
    """The longest from the queueing of a session to the end of its pause [ns], others of its chain
    before it included, which go in the order of queueing."""
    if UNBOUNDED in lengths or any(model.inherited[p.place] == UNBOUNDED for p in chain):
        return UNBOUNDED
    taken = [
        length + placed.session.pause_ns for placed, length in zip(chain, lengths, strict=True)
    ]
    n = len(chain)
    delay, _ = fixed_point.fifo_delay(
        member=[True] * n,
        upto=[n] * n,
        single=taken,
        frame=taken,
        period=[model.period[p.place] for p in chain],
        jitter=[model.jitter[p.place] for p in chain],
        head=[0] * n,
        bit=0,
        fault_every=0,
        fault_cost=0,
        horizon=SESSION_HORIZON_NS,
    )
    return UNBOUNDED if delay == UNBOUNDED else delay + min(taken)
