"""The fixed points behind worst-case response times, over plain integers [ns].

The rules of this file: no floating point in a result, no imports, no classes. All functions are
written so that they run as they stand on lists (small networks: no compiler is loaded) and, through
:mod:`busplan.timing.compiled_fixed_point`, on int64 arrays (large ones). Arrays are in order of
arbitration, most urgent first.

Symbols follow Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis:
refuted, revisited and revised", Real-Time Systems 35:239–272, 2007: frame time C, period T, queuing
jitter J, blocking B, bit time τ, and for instance q of the level-m busy period

    w(q) = B + q·C + Σ_hp ⌈(w + J_k + τ)/T_k⌉·C_k        R(q) = J + w(q) − q·T + C

with every instance of the busy period counted. Bus errors add E(w + C) = ⌈(w + C)/T_error⌉ times an
error frame and the longest frame that can be hit (Tindell and Burns, 1994). A message in a
first-in-first-out queue becomes ready up to f_k later than it was queued, which acts as more jitter
on everybody else (Davis, Kollmann, Pollex, Slomka, ECRTS 2011).

Messages that one clock sends at stated offsets (a *rhythm*, :mod:`busplan.timing.rhythms`) are not
all queued at once: their part of the sum is the most work that any window of that length can hold
(:func:`rhythm_work`), whatever else happens, so nothing is assumed between nodes. (Analyses of
transactions with offsets: Tindell 1994; Palencia and González Harbour 1998; from memory.)
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence

UNBOUNDED = -1
"""In a result: the busy period does not end, so no response time can be promised."""


def rhythm_work(
    g: int,
    last: int,
    but: int,
    window: int,
    frame: Sequence[int],
    first: Sequence[int],
    span: Sequence[int],
    release: Sequence[int],
    sender: Sequence[int],
    late: Sequence[int],
    whose: Sequence[int],
    lead: Sequence[int],
) -> int:
    """The most that rhythm ``g`` can queue in any half-open window of this length [ns].

    Counted are its messages among the first ``last`` but for ``but``. Rhythm ``g`` has the entries
    ``first[g]`` to ``first[g + 1]`` of the columns: ``release`` and ``sender`` in the order of
    release within ``span[g]``, after which all repeats; ``late`` and ``whose`` in the order of
    release plus jitter, modulo the span. ``lead`` counts, with the first release of each message in
    the span, those before the span that may still be queued in it. The window begins as late as
    the jitter of one of them allows:

        max over φ = r + J of Σ_k #{releases of k in [φ − J_k, φ + window)}·C_k
    """
    begin, end = first[g], first[g + 1]
    whole, rest = window // span[g], window % span[g]
    round_work = 0
    work = 0
    for r in range(begin, end):
        k = sender[r]
        if k < last and k != but:
            round_work += frame[k]
            work += lead[r] * frame[k]
    if round_work == 0:
        return 0
    best = 0
    u = begin
    base = 0
    for r in range(begin, end):
        k = whose[r]
        if k >= last or k == but:
            continue
        until = late[r] + rest
        while base + release[u] < until:
            m = sender[u]
            if m < last and m != but:
                work += frame[m]
            u += 1
            if u == end:
                u = begin
                base += span[g]
        best = max(best, work)
        work -= frame[k]
    return best + whole * round_work


def priority_responses(
    upto: Sequence[int],
    single: Sequence[int],
    frame: Sequence[int],
    period: Sequence[int],
    jitter: Sequence[int],
    inherited: Sequence[int],
    deadline: Sequence[int],
    head: Sequence[int],
    skip: Sequence[bool],
    joined: Sequence[bool],
    first: Sequence[int],
    span: Sequence[int],
    release: Sequence[int],
    sender: Sequence[int],
    late: Sequence[int],
    whose: Sequence[int],
    lead: Sequence[int],
    bit: int,
    fault_every: int,
    fault_cost: int,
    horizon: int,
    stop_at_miss: bool,
    response: MutableSequence[int],
    worst: MutableSequence[int],
    window: MutableSequence[int],
) -> bool:
    """Fill the response times of the messages whose nodes queue by priority.

    ``upto[i]`` counts the messages that arbitrate like or before ``i``, itself included, so equal
    identifiers delay each other. ``frame[k]`` [ns] is what one instance sends; where that takes
    several frames, ``single[k]`` is the longest of them, else the same. ``jitter`` [ns] is the
    whole jitter J, ``inherited`` the part of it that came with a gateway and is not part of the
    message's own response. ``head[k]`` is f_k
    (:data:`UNBOUNDED` when the queue has no bound). ``skip`` marks messages that only delay others
    here. ``joined`` marks those of a rhythm, ``first`` to ``lead`` are as in :func:`rhythm_work`,
    ``first`` with one entry more than there are rhythms. ``deadline`` matters only for
    ``stop_at_miss``; ``fault_every`` 0 means no bus errors.

    ``response[i]`` [ns], ``worst[i]`` (the instance q it comes from) and ``window[i]`` (its queuing
    delay w) are written. Returns false when ``stop_at_miss`` ended it at a missed deadline.
    """
    n = len(frame)
    rhythms = len(first) - 1
    for i in range(n):
        if skip[i]:
            continue
        own = frame[i]
        last = upto[i]
        block = 0
        for k in range(last, n):
            block = max(block, single[k])
        longest = 0
        load = 0.0
        held = block
        bounded = True
        for k in range(last):
            longest = max(longest, single[k])
            load += frame[k] / period[k]
            held += jitter[k] + head[k]
            if head[k] < 0:
                bounded = False
        hit = fault_cost + longest
        if fault_every > 0:
            load += hit / fault_every
        # At a load of one the busy period never ends when blocking or jitter adds to it.
        if load > 1.0 + 1e-12 or (load > 1.0 - 1e-12 and held > 0):
            bounded = False
        busy = 0
        grown = own
        while bounded and grown != busy:
            busy = grown
            grown = block
            if fault_every > 0:
                grown += ((busy - 1) // fault_every + 1) * hit
            for k in range(last):
                if not joined[k]:
                    grown += ((busy + jitter[k] + head[k] - 1) // period[k] + 1) * frame[k]
            for g in range(rhythms):
                grown += rhythm_work(
                    g, last, -1, busy, frame, first, span, release, sender, late, whose, lead
                )
            if grown > horizon:
                bounded = False
        best = UNBOUNDED
        best_q = 0
        best_w = 0
        if bounded:
            instances = (busy + jitter[i] - 1) // period[i] + 1
            at = block
            for q in range(instances):
                w = -1
                while at != w:
                    w = at
                    at = block + q * own
                    if fault_every > 0:
                        at += ((w + own - 1) // fault_every + 1) * hit
                    for k in range(last):
                        if k != i and not joined[k]:
                            ready = w + jitter[k] + head[k] + bit
                            at += ((ready - 1) // period[k] + 1) * frame[k]
                    for g in range(rhythms):
                        at += rhythm_work(
                            g,
                            last,
                            i,
                            w + bit,
                            frame,
                            first,
                            span,
                            release,
                            sender,
                            late,
                            whose,
                            lead,
                        )
                # The event is no earlier than the period allows, nor than its own jitter before
                # the start of the busy period.
                event = max(inherited[i] - jitter[i], q * period[i] - jitter[i])
                if w + own - event > best:
                    best = w + own - event
                    best_q = q
                    best_w = w
                if stop_at_miss and best > deadline[i]:
                    break
                at = w + own
        response[i] = best
        worst[i] = best_q
        window[i] = best_w
        if stop_at_miss and (best < 0 or best > deadline[i]):
            return False
    return True


def lone_response(
    place: int,
    own: Sequence[bool],
    upto: Sequence[int],
    single: Sequence[int],
    frame: Sequence[int],
    period: Sequence[int],
    jitter: Sequence[int],
    head: Sequence[int],
    bit: int,
    fault_every: int,
    fault_cost: int,
    horizon: int,
) -> int:
    """Longest time from queueing to end of a frame that never waits for another of its session.

    ``own`` marks the frames of sessions of which one is sent at a time, ``place`` among them. The
    one before may still have been on the wire when more urgent frames were queued, so it blocks
    like a less urgent frame:

        w = max(B, C_own) + Σ_hp ⌈(w + J_k + f_k + τ)/T_k⌉·C_k        R = w + C

    :data:`UNBOUNDED` when the others leave no room.
    """
    n = len(frame)
    last = upto[place]
    block = 0
    longest = 0
    load = 0.0
    for k in range(n):
        if k >= last or own[k]:
            block = max(block, single[k])
    for k in range(last):
        longest = max(longest, single[k])
        if not own[k]:
            load += frame[k] / period[k]
            if head[k] < 0:
                return UNBOUNDED
    hit = fault_cost + longest
    if fault_every > 0:
        load += hit / fault_every
    if load > 1.0 - 1e-12:
        return UNBOUNDED
    w = -1
    at = block
    while at != w:
        w = at
        at = block
        if fault_every > 0:
            at += ((w + single[place] - 1) // fault_every + 1) * hit
        for k in range(last):
            if not own[k]:
                ready = w + jitter[k] + head[k] + bit
                at += ((ready - 1) // period[k] + 1) * frame[k]
        if at > horizon:
            return UNBOUNDED
    return w + single[place]


def fifo_delay(
    member: Sequence[bool],
    upto: Sequence[int],
    single: Sequence[int],
    frame: Sequence[int],
    period: Sequence[int],
    jitter: Sequence[int],
    head: Sequence[int],
    bit: int,
    fault_every: int,
    fault_cost: int,
    horizon: int,
) -> tuple[int, int]:
    """Longest time from queueing to start of sending, over a first-in-first-out queue.

    One value serves every message of the queue (``member``), as in Davis et al., ECRTS 2011: with L
    the member that arbitrates last and C_MIN the shortest frame of a member, a frame queued at a in
    the busy period of level L waits for all members queued up to a and for everybody else above L,

        w(a) = B_L + Σ_members (⌊(a + J_k)/T_k⌋ + 1)·C_k − C_MIN
                   + Σ_others above L ⌈(w + J_k + f_k + τ)/T_k⌉·C_k,

    and the delay is the largest w(a) − a. The publication has a = 0 and deadlines within periods;
    here a takes every moment of the busy period at which a member can be queued, so that longer
    deadlines are covered as well.

    Returns the delay [ns], :data:`UNBOUNDED` when the busy period does not end, and its a [ns].
    """
    n = len(frame)
    lowest = 0
    shortest = 0
    for k in range(n):
        if member[k]:
            lowest = k
            if shortest == 0 or single[k] < shortest:
                shortest = single[k]
    last = upto[lowest]
    block = 0
    for k in range(last, n):
        block = max(block, single[k])
    longest = 0
    load = 0.0
    late = block
    for k in range(last):
        longest = max(longest, single[k])
        load += frame[k] / period[k]
        late += jitter[k] + head[k]
        if head[k] < 0 and not member[k]:
            return UNBOUNDED, 0
    hit = fault_cost + longest
    if fault_every > 0:
        load += hit / fault_every
    if load > 1.0 + 1e-12 or (load > 1.0 - 1e-12 and late > 0):
        return UNBOUNDED, 0
    busy = 0
    grown = shortest
    while grown != busy:
        busy = grown
        grown = block
        if fault_every > 0:
            grown += ((busy - 1) // fault_every + 1) * hit
        for k in range(last):
            wait = jitter[k] if member[k] else jitter[k] + head[k]
            grown += ((busy + wait - 1) // period[k] + 1) * frame[k]
        if grown > horizon:
            return UNBOUNDED, 0
    delay = 0
    worst = 0
    for m in range(-1, n):
        # Moments at which member m can be queued; m = −1 stands for the start of the busy period.
        if m >= 0 and not member[m]:
            continue
        step = busy if m < 0 else period[m]
        queued = 0 if m < 0 else (jitter[m] // step + 1) * step - jitter[m]
        while queued < busy:
            ahead = block - shortest
            for k in range(last):
                if member[k]:
                    ahead += ((queued + jitter[k]) // period[k] + 1) * frame[k]
            w = -1
            at = ahead
            while at != w:
                w = at
                at = ahead
                if fault_every > 0:
                    at += ((w + shortest - 1) // fault_every + 1) * hit
                for k in range(last):
                    if not member[k]:
                        ready = w + jitter[k] + head[k] + bit
                        at += ((ready - 1) // period[k] + 1) * frame[k]
            if w - queued > delay:
                delay = w - queued
                worst = queued
            queued += step
    return delay, worst
