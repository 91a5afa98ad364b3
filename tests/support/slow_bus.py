"""A slow twin of the bus simulation: time advances from one interesting moment to the next, and at
each one every wire looks at every queue anew."""

from dataclasses import dataclass, field
from itertools import count

from busplan.plan.vehicle import arbitration_rank
from busplan.wire.lengths import duration_ns, message_bits


@dataclass
class Waiting:
    """One instance of one feed that has been queued."""

    feed: int
    queued: int
    order: int
    attempts: int = 0


@dataclass
class Wire:
    """One network: what is on it until when, and what waits, node by node."""

    waiting: list[Waiting] = field(default_factory=list)
    now_sending: Waiting | None = None
    started: int = 0
    until: int = 0
    broken: bool = False


@dataclass
class Outcome:
    """Frames as (feed, queued, start, end, attempts) and what is left."""

    frames: list[tuple[int, int, int, int, int]]
    replaced: list[int]
    unsent: list[int]
    errors: int


def slow_bus(networks, feeds, faults, until):
    """Run the same scenario as ``simulate`` with nominal frame lengths."""
    wires = {n.name: Wire() for n in networks}
    rates = {n.name: n.bit_rate for n in networks}
    rank = [arbitration_rank(f.stream.message) for f in feeds]
    future = sorted(
        (int(t), rank[i], i) for i, f in enumerate(feeds) if not f.forwards for t in f.queued_ns
    )
    # Sessions of a chain wait for each other: only the first is in the future as yet.
    lines: dict = {}
    for time, _, i in sorted(future, key=lambda f: (f[0], f[2])):
        if feeds[i].chain:
            lines.setdefault(feeds[i].chain, []).append((time, i))
    future = [f for f in future if not feeds[f[2]].chain]
    future += [(t, rank[i], i) for t, i in (line.pop(0) for line in lines.values())]
    frames, replaced, errors = [], [0] * len(feeds), 0
    ticket = count()

    def arrive(wire, feed, time):
        mine = [w for w in wire.waiting if w.feed == feed]
        if mine and feeds[feed].overwrite:
            replaced[feed] += 1
            mine[-1].queued, mine[-1].attempts = time, 0
        else:
            wire.waiting.append(Waiting(feed, time, next(ticket)))

    def choose(wire):
        oldest = {}
        for w in sorted(wire.waiting, key=lambda w: w.order):
            feed = feeds[w.feed]
            oldest.setdefault(("node", feed.stream.node) if feed.fifo else ("feed", w.feed), w)
        return min(oldest.values(), key=lambda w: (rank[w.feed], w.feed))

    while True:
        moments = [t for t, _, _ in future]
        moments += [w.until for w in wires.values() if w.now_sending]
        if not moments:
            break
        now = min(moments)
        if until is not None and now > until:
            break
        # 1. Whatever ends now, ends; a gateway's copy arrives after its delay.
        for wire in wires.values():
            done = wire.now_sending
            if done is None or wire.until != now:
                continue
            wire.now_sending = None
            if wire.broken:
                newer = [w for w in wire.waiting if w.feed == done.feed]
                if newer and feeds[done.feed].overwrite:
                    replaced[done.feed] += 1
                    newer[0].order = done.order
                else:
                    wire.waiting.append(done)
                continue
            frames.append((done.feed, done.queued, wire.started, now, done.attempts))
            label = feeds[done.feed].stream.label
            for i, f in enumerate(feeds):
                if f.forwards == label:
                    future.append((now + f.delay_ns, rank[i], i))
            ended = feeds[done.feed]
            if ended.ends and lines[ended.chain]:
                time, i = lines[ended.chain].pop(0)
                future.append((max(time, now + ended.pause_ns), rank[i], i))
        # 2. Whatever arrives by now is queued, in order of time, then urgency.
        future.sort()
        while future and future[0][0] <= now:
            time, _, feed = future.pop(0)
            wire = wires[feeds[feed].stream.network]
            arrive(wire, feed, time)
        # 3. Every idle wire starts what wins.
        for name, wire in wires.items():
            if wire.now_sending or not wire.waiting:
                continue
            winner = choose(wire)
            wire.waiting.remove(winner)
            winner.attempts += 1
            rate = rates[name]
            duration = duration_ns(message_bits(feeds[winner.feed].stream.message)[0], rate)
            wire.now_sending, wire.started, wire.broken = winner, now, False
            wire.until = now + duration
            if name in faults:
                pause = 3 * 10**9 // rate
                for at, bits in zip(faults[name].at_ns, faults[name].bits, strict=True):
                    if now <= at < wire.until - pause:
                        wire.broken, wire.until = True, int(at) + int(bits) * 10**9 // rate
                        errors += 1
                        break
    left = [0] * len(feeds)
    for wire in wires.values():
        for w in [*wire.waiting, *([wire.now_sending] if wire.now_sending else [])]:
            left[w.feed] += 1
    for _, _, feed in future:
        left[feed] += 1
    for line in lines.values():
        for _, feed in line:
            left[feed] += 1
    return Outcome(frames, replaced, left, errors)
