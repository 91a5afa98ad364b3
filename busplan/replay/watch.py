"""What a whole capture says against its plan, each finding with its moment.

Nodes that stop, messages that pause or come late, identifiers nobody defines or two nodes share.
Of the silences of a node or message the one that lasts is told, else the longest; all are counted.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from busplan.definitions.model import Stated
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.pack.labels import clock
from busplan.replay.lines import Line, Lines
from busplan.replay.strangers import strangers
from busplan.traffic.cycle_rule import cycle_findings, sampled_cycle
from busplan.traffic.silence import SILENT_CYCLES
from busplan.traffic.stopped import CAUSES, common_pauses, shared
from busplan.wording import counted, plain

OVER = "last ended"
"""The figure that only a silence has which is over."""
LATE_CYCLES = 1.5
"""A cyclic frame is late when it comes more than this many cycles after the one before."""


SAME_PART = 0.8
"""Silences of two nodes are one of their network when they share this part of the longer one."""
_Silences = dict[tuple[str, str], list[tuple[int, int]]]
"""The silences [ns] of each node on a network; none: it has never been silent."""


@dataclass(frozen=True, slots=True)
class Pause:
    """A stretch [ns] without frames of one line: last frame before it, first one after it."""

    number: int
    start_ns: int
    stop_ns: int


class _Ends(NamedTuple):
    """When watching ends, by network [ns], and before when what is over is old."""

    networks: Mapping[str, int]
    span_ns: int
    old_ns: int

    def of(self, network: str) -> int:
        return self.networks.get(network, self.span_ns)


def watch(lines: Lines, span_ns: int, *, old_ns: int = -1) -> list[Finding]:
    """All findings, in no particular order.

    On a live bus silences that were over before ``old_ns`` are notes: nothing to run for.
    """
    stopped_ns = _stopped_all(lines)
    pauses: list[Pause] = []
    late: list[Finding] = []
    ends = _Ends(_ended_networks(lines, span_ns), span_ns, old_ns)
    for number, line in enumerate(lines.lines):
        if line.cycle and line.k >= 0:
            times = lines.index.times_at(lines.index.slice_of(line.k))
            allowed = max(SILENT_CYCLES * line.cycle.ns, float(lines.allowed_ns[number]))
            pauses += _pauses(number, allowed, times, ends.of(line.key.network), stopped_ns)
            late += _late(line, line.cycle, times, stopped_ns)
    silences, single = _by_node(lines, pauses, ends)
    paused = _of_networks(silences)
    stopped = [_stopped(*owner, found, ends) for owner, found in silences.items() if found]
    silent = [_silent_network(name, since, span_ns) for name, since in ends.networks.items()]
    told = {(f.where.network, f.where.node) for f in stopped}
    gone = list(_gone(lines, ends, told))
    silent += [_paused_network(name, found, ends) for name, found in paused.items() if found]
    silent += [_paused_all(stopped_ns, ends)] if len(stopped_ns) else []
    return [*silent, *stopped, *gone, *single, *late, *_unkept(lines), *strangers(lines)]


def _ended_networks(lines: Lines, span_ns: int) -> dict[str, int]:
    """Networks of several nodes that fell silent as a whole before the end, and since when [ns].

    That no node of them sends is one thing to say, not one for each node.
    """
    last: dict[str, int] = {}
    allowed: dict[str, float] = {}
    nodes: dict[str, set[str]] = {}
    for number, line in enumerate(lines.lines):
        if line.k < 0 and line.key not in lines.gone:
            continue
        name = line.key.network
        here = lines.gone.get(line.key)
        if here is None:
            here = lines.index.time_at(lines.index.slice_of(line.k).stop - 1)
        last[name] = max(last.get(name, here), here)
        if line.cycle:
            allowed[name] = min(allowed.get(name, np.inf), float(lines.allowed_ns[number]))
            nodes.setdefault(name, set()).update(s.node for s in line.streams)
    return {
        name: since
        for name, since in last.items()
        if len(nodes.get(name, ())) > 1 and span_ns - since > allowed[name]
    }


def _silent_network(network: str, since_ns: int, span_ns: int) -> Finding:
    length = (span_ns - since_ns) / 1e9
    return Finding(
        "network-silent",
        Weight.CAUTION,
        Where(network, time_ns=max(since_ns, 0)),
        f"nothing at all came on {network} in the last {length:.2f} s",
        why="The whole network fell silent, or its adapter stopped recording: what its nodes did "
        "then is not known.",
        action="See whether its adapter's file ends there; if not, look for what all its nodes "
        "share: supply, ignition, the cable.",
        figures=(Figure("silence", length, "s"),),
    )


def _unkept(lines: Lines) -> list[Finding]:
    """Messages that do not keep to their stated cycle."""
    return cycle_findings(
        (line.streams[0], sampled_cycle(lines.index.times_at(lines.index.slice_of(line.k))))
        for line in lines.lines
        if len(line.streams) == 1 and line.k >= 0
    )


def _pauses(
    number: int, allowed_ns: float, times: I64, span_ns: int, stopped_ns: I64
) -> Iterator[Pause]:
    """Those of a line that are longer than it may be silent, beside what everybody shared."""
    times = times[(times >= 0) & (times <= span_ns)]
    ends = np.append(times, span_ns)
    gaps = np.diff(ends) - shared(stopped_ns, ends[:-1], ends[1:])
    for i in np.flatnonzero(gaps > allowed_ns).tolist():
        yield Pause(number, int(ends[i]), int(ends[i + 1]))


def _stopped_all(lines: Lines) -> I64:
    """Stretches (k, 2) [ns] in which nobody sent anything while several nodes were due."""
    streams = (s for line in lines.lines for s in line.streams)
    return common_pauses(lines.index.messages.frames, streams) - lines.index.origin_ns


def _of_networks(silences: _Silences) -> dict[str, list[tuple[int, int]]]:
    """Silences that all of several nodes of a network share, taken out of those of each node."""
    found: dict[str, list[tuple[int, int]]] = {}
    for network in dict.fromkeys(network for network, _ in silences):
        first, *others = [mine for (name, _), mine in silences.items() if name == network]
        for silence in tuple(first) if others else ():
            alike = [next((o for o in mine if _alike(silence, o)), None) for mine in others]
            if all(alike):
                same = [silence, *(one for one in alike if one is not None)]
                for mine, one in zip((first, *others), same, strict=True):
                    mine.remove(one)
                shared = max(one[0] for one in same), min(one[1] for one in same)
                found.setdefault(network, []).append(shared)
    return found


def _alike(one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Whether two silences are the same one of a network, seen by messages of their own cycles."""
    shared = min(one[1], other[1]) - max(one[0], other[0])
    return shared >= SAME_PART * max(_length(one), _length(other))


def _paused_network(network: str, silences: list[tuple[int, int]], ends: _Ends) -> Finding:
    """That all nodes of a network were silent at once, and went on."""
    end_ns, last_ns = ends.of(network), _last_end(silences)
    told = _told(silences, end_ns)
    return Finding(
        "network-silent",
        Weight.NOTE if last_ns < min(ends.old_ns, end_ns) else Weight.CAUTION,
        Where(network, time_ns=max(told[0], 0)),
        f"every node was silent on {network} for {_length(told) / 1e9:.2f} s, "
        f"{_stretch(told, end_ns)}{_often(silences, told)}",
        why="The network slept, or its adapter did not record: what its nodes did then is not "
        "known.",
        action="See whether the vehicle was switched off; if not, look for what all its nodes "
        "share: supply, the cable, the adapter.",
        figures=(
            Figure("silence", _length(told) / 1e9, "s"),
            Figure("silences", len(silences)),
            *_over(last_ns, end_ns),
        ),
    )


def _paused_all(stopped_ns: I64, ends: _Ends) -> Finding:
    """That nothing at all came for a while, on no network."""
    silences = [(begin, end) for begin, end in stopped_ns.tolist()]
    last_ns, told = _last_end(silences), _told(silences, ends.span_ns)
    return Finding(
        "all-silent",
        Weight.NOTE if last_ns < min(ends.old_ns, ends.span_ns) else Weight.CAUTION,
        Where(time_ns=max(told[0], 0)),
        f"nothing came of anybody for {_length(told) / 1e9:.2f} s, "
        f"{_stretch(told, ends.span_ns)}{_often(silences, told)}: {CAUSES}",
        why="What the nodes did then, and how long it truly was, is not known.",
        action="See whether the vehicle was switched off, the recorder stopped or its clock was "
        "set; if not, look for what all nodes share: supply and ground.",
        figures=(
            Figure("silence", _length(told) / 1e9, "s"),
            Figure("silences", len(silences)),
            *_over(last_ns, ends.span_ns),
        ),
    )


def _by_node(lines: Lines, pauses: list[Pause], ends: _Ends) -> tuple[_Silences, list[Finding]]:
    """Silences in which all messages of a node stopped, and pauses of single messages."""
    owned: dict[tuple[str, str], list[int]] = {}
    for i, line in enumerate(lines.lines):
        if line.cycle and line.k >= 0 and len(line.streams) == 1:
            owned.setdefault((line.key.network, line.streams[0].node), []).append(i)
    by_line: dict[int, list[Pause]] = {}
    for pause in pauses:
        by_line.setdefault(pause.number, []).append(pause)
    stopped: _Silences = {}
    taken: set[Pause] = set()
    for (network, node), members in owned.items():
        silences: list[tuple[int, int]] = []
        fastest = min(members, key=lambda i: _cycle_ns(lines, i))
        for pause in by_line.get(fastest, []):
            inside = [
                p
                for i in members
                for p in by_line.get(i, [])
                if p.start_ns < pause.stop_ns and p.stop_ns > pause.start_ns
            ]
            length = pause.stop_ns - pause.start_ns
            due = [i for i in members if lines.allowed_ns[i] < length]
            if set(due) <= {p.number for p in inside}:
                taken.update(inside)
                silences.append((pause.start_ns, pause.stop_ns))
        stopped[network, node] = silences
    single = [
        _paused(lines.lines[number], rest, ends)
        for number, mine in by_line.items()
        if (rest := [p for p in mine if p not in taken])
    ]
    return stopped, single


def _gone(
    lines: Lines, ends: _Ends, told: Collection[tuple[str | None, str | None]]
) -> Iterator[Finding]:
    """Nodes and messages whose last frame a live memory has forgotten, and that have not come back.

    They stay found as long as they stay away.
    """
    away: dict[tuple[str, str], list[int]] = {}
    there = set()
    for i, line in enumerate(lines.lines):
        if line.cycle and len(line.streams) == 1:
            owner = (line.key.network, line.streams[0].node)
            if line.key in lines.gone:
                away.setdefault(owner, []).append(i)
            elif line.k >= 0:
                there.add(owner)
    for owner, members in away.items():
        if owner in told or owner[0] in ends.networks:
            continue
        end_ns = ends.of(owner[0])
        if owner not in there:
            since = max(lines.gone[lines.lines[i].key] for i in members)
            yield _away(_stopped(*owner, [(since, end_ns)], ends))
            continue
        for i in members:
            since = lines.gone[lines.lines[i].key]
            yield _away(_paused(lines.lines[i], [Pause(i, since, end_ns)], ends))


def _away(finding: Finding) -> Finding:
    """The finding at the beginning of what is held: its own moment has been forgotten."""
    return replace(finding, where=replace(finding.where, time_ns=0))


def _cycle_ns(lines: Lines, number: int) -> int:
    cycle = lines.lines[number].cycle
    assert cycle is not None
    return cycle.ns


def _last_end(stretches: Iterable[tuple[int, int]]) -> int:
    """When the last of some silences was over, or watching ended [ns]."""
    return max(stop for _, stop in stretches)


def _over(last_ns: int, end_ns: int) -> tuple[Figure, ...]:
    """When it was over; nothing while it lasts."""
    return (Figure(OVER, last_ns / 1e9, "s"),) if last_ns < end_ns else ()


def _told(silences: Sequence[tuple[int, int]], end_ns: int) -> tuple[int, int]:
    """The silence that lasts, however short it is so far; when none does, the longest."""
    last = max(silences)
    return last if last[1] >= end_ns else max(silences, key=_length)


def _length(silence: tuple[int, int]) -> int:
    return silence[1] - silence[0]


def _stretch(told: tuple[int, int], end_ns: int) -> str:
    """From when to when, in words."""
    start, stop = (clock(ns / 1e9) for ns in told)
    if told[0] < 0:
        return "since before what is held"
    return f"from {start} " + (f"to {stop}" if told[1] < end_ns else "on")


def _often(silences: Sequence[tuple[int, int]], told: tuple[int, int]) -> str:
    """How often, and how long at most where a longer one than the told one is over."""
    if len(silences) == 1:
        return ""
    longest = max(map(_length, silences))
    most = "" if longest == _length(told) else f", {longest / 1e9:.2f} s at most"
    return f", {len(silences)} times in all{most}"


def _stopped(network: str, node: str, silences: list[tuple[int, int]], ends: _Ends) -> Finding:
    end_ns, last_ns = ends.of(network), _last_end(silences)
    told = _told(silences, end_ns)
    return Finding(
        "node-stopped",
        Weight.NOTE if last_ns < min(ends.old_ns, end_ns) else Weight.CAUTION,
        Where(network, node, time_ns=told[0]),
        f"{node} sent nothing on {network} for {_length(told) / 1e9:.2f} s, "
        f"{_stretch(told, end_ns)}{_often(silences, told)}",
        why="Its receivers work with old values or have given it up.",
        action="Look for a loose plug, a brown-out of its supply or a reset at that time.",
        figures=(
            Figure("silence", _length(told) / 1e9, "s"),
            Figure("longest silence", max(map(_length, silences)) / 1e9, "s"),
            Figure("silences", len(silences)),
            *_over(last_ns, end_ns),
        ),
    )


def _paused(line: Line, pauses: list[Pause], ends: _Ends) -> Finding:
    end_ns = ends.of(line.key.network)
    silences = [(p.start_ns, p.stop_ns) for p in pauses]
    last_ns, told = _last_end(silences), _told(silences, end_ns)
    length = _length(told)
    assert line.cycle is not None
    return Finding(
        "message-paused",
        Weight.NOTE if last_ns < min(ends.old_ns, end_ns) else Weight.CAUTION,
        Where(line.key.network, line.senders, line.name, time_ns=told[0]),
        f"{line.name} of {line.senders} paused for {plain(length / 1e6)} ms, "
        f"{length / line.cycle.ns:.1f} cycles, "
        f"{_stretch(told, end_ns)}{_often(silences, told)}",
        why="Receivers with a time-out may have given the message up.",
        action="See what else happened at that time.",
        figures=(
            Figure("gap", length / 1e6, "ms"),
            Figure("cycle", line.cycle.ms, "ms"),
            *_over(last_ns, end_ns),
        ),
    )


def _late(line: Line, cycle: Stated, times: I64, stopped_ns: I64) -> Iterator[Finding]:
    gaps = np.diff(times) - shared(stopped_ns, times[:-1], times[1:])
    late = np.flatnonzero((gaps > LATE_CYCLES * cycle.ns) & (gaps <= SILENT_CYCLES * cycle.ns))
    # More late than not: the stated cycle is wrong, which is no matter of single frames.
    if len(line.streams) == 1 and 0 < len(late) <= len(gaps) // 2:
        worst = int(late[gaps[late].argmax()])
        yield Finding(
            "frame-late",
            Weight.NOTE,
            Where(line.key.network, line.senders, line.name, time_ns=int(times[worst])),
            f"{line.name} of {line.senders} came late {counted(len(late), 'time')} in "
            f"{len(times)}, at most "
            f"{plain(gaps[worst] / 1e6)} ms after the frame before (cycle {cycle.ms:g} ms)",
            why="A busy sender or a full network delays it; its receivers may notice.",
            action="Compare with the response times of the plan: busplan timing.",
            figures=(Figure("late frames", len(late)), Figure("worst", gaps[worst] / 1e6, "ms")),
        )
