"""The compiled heart of the bus simulation: arbitration of all networks in one event loop.

The rules of this file: only arrays and integers; times in nanoseconds; streams are numbered so that
those of one network lie together, most urgent first. Each network has at most one thing on the
wire; whenever a wire falls free, everything queued by then takes part in arbitration.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.kernels import kernel

NEVER = np.iinfo(np.int64).max
IDLE = -1
BROKEN = -2


@kernel
def _sift_up(times: Any, streams: Any, base: int, place: int) -> None:
    while place > 0:
        above = (place - 1) // 2
        a, b = base + above, base + place
        if times[a] < times[b] or (times[a] == times[b] and streams[a] < streams[b]):
            return
        times[a], times[b] = times[b], times[a]
        streams[a], streams[b] = streams[b], streams[a]
        place = above


@kernel
def _sift_down(times: Any, streams: Any, base: int, count: int) -> None:
    place = 0
    while True:
        below = 2 * place + 1
        if below >= count:
            return
        b = base + below
        if below + 1 < count and (
            times[b + 1] < times[b] or (times[b + 1] == times[b] and streams[b + 1] < streams[b])
        ):
            below += 1
            b += 1
        a = base + place
        if times[a] < times[b] or (times[a] == times[b] and streams[a] < streams[b]):
            return
        times[a], times[b] = times[b], times[a]
        streams[a], streams[b] = streams[b], streams[a]
        place = below


@kernel
def _push(times: Any, streams: Any, base: int, count: int, time: int, stream: int) -> None:
    times[base + count] = time
    streams[base + count] = stream
    _sift_up(times, streams, base, count)


@kernel
def _insert(ready: Any, base: int, count: int, stream: int) -> None:
    """Keep ``ready`` in falling order, so that the most urgent stream stands last."""
    at = base + count
    while at > base and ready[at - 1] < stream:
        ready[at] = ready[at - 1]
        at -= 1
    ready[at] = stream


@kernel
def run_networks(setup: Any, until: int, record: Any) -> tuple[int, int]:
    """Run all networks up to ``until`` [ns]; returns the numbers of frames and of error frames.

    ``setup`` is a :class:`busplan.timing.simulation_setup.Setup`, of which what gateways forward is
    filled in, ``record`` a :class:`busplan.timing.simulation_setup.Record` to fill.
    """
    # Local names: reaching into a tuple for each frame would cost several times the rest.
    network_first = setup.network_first
    network_of = setup.network_of
    first = setup.first
    known = setup.known
    due = setup.due
    queued = setup.queued
    duration = setup.duration
    queue_of = setup.queue_of
    queue_first = setup.queue_first
    overwrite = setup.overwrite
    forward_first = setup.forward_first
    forward_to = setup.forward_to
    forward_delay = setup.forward_delay
    chain_first = setup.chain_first
    chain_root = setup.chain_root
    chain_parent = setup.chain_parent
    gate_first = setup.gate_first
    gate_to = setup.gate_to
    gate_delay = setup.gate_delay
    fault_first = setup.fault_first
    fault_at = setup.fault_at
    fault_busy = setup.fault_busy
    intermission = setup.intermission
    out_stream = record.stream
    out_instance = record.instance
    out_due = record.due
    out_queued = record.queued
    out_start = record.start
    out_end = record.end
    out_attempts = record.attempts
    out_parent = record.parent
    out_error_network = record.error_network
    out_error_end = record.error_end
    out_replaced = record.replaced
    out_busy = record.busy
    n_networks = len(network_first) - 1
    n_streams = len(first) - 1
    heap_time = np.empty(n_streams, np.int64)
    heap_stream = np.empty(n_streams, np.int32)
    heap_count = np.zeros(n_networks, np.int64)
    ready = np.empty(n_streams, np.int32)
    ready_count = np.zeros(n_networks, np.int64)
    sending = np.full(n_networks, IDLE, np.int64)
    on_wire = np.zeros(n_networks, np.int64)
    started = np.zeros(n_networks, np.int64)
    next_at = np.full(n_networks, NEVER, np.int64)
    next_fault = fault_first[:-1].copy()
    head = np.zeros(n_streams, np.int64)
    released = np.zeros(n_streams, np.int64)
    attempts = np.zeros(n_streams, np.int64)
    fifo = np.empty(queue_first[-1], np.int32)
    fifo_head = queue_first[:-1].copy()
    fifo_tail = queue_first[:-1].copy()
    frames = 0
    errors = 0

    for m in range(n_networks):
        base = network_first[m]
        for s in range(base, network_first[m + 1]):
            if known[s] > 0:
                _push(heap_time, heap_stream, base, heap_count[m], queued[first[s]], s)
                heap_count[m] += 1
        if heap_count[m] > 0:
            next_at[m] = heap_time[base]

    while True:
        now = NEVER
        m = -1
        for k in range(n_networks):
            if next_at[k] < now:
                now = next_at[k]
                m = k
        if m < 0 or now > until:
            break
        base = network_first[m]

        if sending[m] != IDLE:
            s = on_wire[m]
            out_busy[m] += now - started[m]
            if sending[m] == BROKEN:
                _insert(ready, base, ready_count[m], s)
                ready_count[m] += 1
            else:
                slot = head[s]
                head[s] += 1
                out_stream[frames] = s
                out_due[frames] = due[first[s] + slot]
                out_queued[frames] = queued[first[s] + slot]
                out_start[frames] = started[m]
                out_end[frames] = now
                out_attempts[frames] = min(attempts[s], 0xFFFF)
                if chain_first[s] < 0:
                    root, parent = slot, -1
                else:
                    root = chain_root[chain_first[s] + slot]
                    parent = chain_parent[chain_first[s] + slot]
                out_instance[frames] = root
                if len(out_parent) > 0:
                    out_parent[frames] = parent
                attempts[s] = 0
                q = queue_of[s]
                if q < 0:
                    if head[s] < released[s]:
                        _insert(ready, base, ready_count[m], s)
                        ready_count[m] += 1
                else:
                    fifo_head[q] += 1
                    if fifo_head[q] < fifo_tail[q]:
                        _insert(ready, base, ready_count[m], fifo[fifo_head[q]])
                        ready_count[m] += 1
                for f in range(forward_first[s], forward_first[s + 1]):
                    to = forward_to[f]
                    there = network_of[to]
                    arrival = now + forward_delay[f]
                    queued[first[to] + known[to]] = arrival
                    due[first[to] + known[to]] = arrival
                    link = chain_first[to] + known[to]
                    chain_parent[link] = frames
                    chain_root[link] = root
                    if known[to] == released[to]:
                        h = network_first[there]
                        _push(heap_time, heap_stream, h, heap_count[there], arrival, to)
                        heap_count[there] += 1
                    known[to] += 1
                    if sending[there] == IDLE and arrival < next_at[there]:
                        next_at[there] = arrival
                if gate_first[s] >= 0 and gate_to[gate_first[s] + root] >= 0:
                    to = gate_to[gate_first[s] + root]
                    place = first[to] + known[to]
                    queued[place] = max(now + gate_delay[s], queued[place])
                    if known[to] == released[to]:
                        _push(heap_time, heap_stream, base, heap_count[m], queued[place], to)
                        heap_count[m] += 1
                    known[to] += 1
                frames += 1
            sending[m] = IDLE

        while heap_count[m] > 0 and heap_time[base] <= now:
            s = heap_stream[base]
            waiting = head[s] < released[s]
            released[s] += 1
            if released[s] < known[s]:
                heap_time[base] = queued[first[s] + released[s]]
            else:
                heap_count[m] -= 1
                heap_time[base] = heap_time[base + heap_count[m]]
                heap_stream[base] = heap_stream[base + heap_count[m]]
            _sift_down(heap_time, heap_stream, base, heap_count[m])
            q = queue_of[s]
            if waiting and overwrite[s]:
                out_replaced[s] += 1
                head[s] += 1
                attempts[s] = 0
            elif q < 0:
                if not waiting:
                    _insert(ready, base, ready_count[m], s)
                    ready_count[m] += 1
            else:
                fifo[fifo_tail[q]] = s
                fifo_tail[q] += 1
                if fifo_tail[q] - fifo_head[q] == 1:
                    _insert(ready, base, ready_count[m], s)
                    ready_count[m] += 1

        if ready_count[m] == 0:
            next_at[m] = heap_time[base] if heap_count[m] > 0 else NEVER
            continue

        ready_count[m] -= 1
        s = ready[base + ready_count[m]]
        instance = head[s] if chain_first[s] < 0 else chain_root[chain_first[s] + head[s]]
        end = now + duration[first[s] + instance]
        attempts[s] += 1
        on_wire[m] = s
        started[m] = now
        while next_fault[m] < fault_first[m + 1] and fault_at[next_fault[m]] < now:
            next_fault[m] += 1
        f = next_fault[m]
        if f < fault_first[m + 1] and fault_at[f] < end - intermission[m]:
            out_error_network[errors] = m
            end = fault_at[f] + fault_busy[f]
            out_error_end[errors] = end
            errors += 1
            next_fault[m] += 1
            sending[m] = BROKEN
        else:
            sending[m] = s
        next_at[m] = end
    return frames, errors
