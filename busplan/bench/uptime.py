"""The node as a whole over the time of a test: when it starts, stops, and comes back from errors.

The rules of this file: pure. Times count from the first frame of the capture in what is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busplan.bench.node_report import ANSWERED, BenchLimits, MessageProof
from busplan.bench.rhythm import Listened, Pause
from busplan.bench.starts import BY_SUPPLY, StartUp
from busplan.bench.supply import Supply, edge_after, rises
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing, plain


def start_up_of(
    table: FrameTable,
    own: Sequence[Stream],
    times: I64,
    supply: Supply,
    origin: int,
    limits: BenchLimits,
) -> StartUp | None:
    """Time from power-on to the node's first frame; ``None`` when either is not known.

    Where nobody told when it got power, the supply signal may show it.
    """
    edges = rises(supply)
    told = limits.power_on_ns
    if told is None and (not edges or limits.power_cycles):
        return None
    power_on = edges[0].from_ns if told is None else origin + told
    place = int(np.searchsorted(times, power_on))
    if place >= len(times):
        return None
    first = int(times[place])
    keys = frozenset(s.key for s in own)
    begin = origin + (limits.begin_ns or 0)
    edge = edge_after(table, keys, power_on, first, supply, limits, begin)
    return StartUp.since(edge, first)


def first_of(
    times: I64, own: Sequence[Stream], origin: int, limits: BenchLimits
) -> tuple[int | None, bool]:
    """The node's first frame, and whether it was evidently on when listening began."""
    cycles = [s.cycle.ns for s in own if s.cycle is not None and not s.event]
    if not len(times) or not cycles:
        return None, False
    first = int(times[0])
    told = limits.power_on_ns is not None or limits.power_cycles or limits.begin_ns is None
    return first, not told and first - origin - (limits.begin_ns or 0) <= 2 * min(cycles)


def on_before(times: I64, own: list[Stream], origin: int, limits: BenchLimits) -> bool:
    """Whether the node was sending right up to power-on, so that it cannot have been off."""
    cycles = [s.cycle.ns for s in own if s.cycle and not s.event]
    if limits.power_on_ns is None or not cycles:
        return False
    power_on = origin + limits.power_on_ns
    first = int(np.searchsorted(times, power_on))
    return first > 0 and power_on - int(times[first - 1]) <= limits.gap_cycles * min(cycles)


def first_start(times: I64, own: list[Stream], origin: int, limits: BenchLimits) -> Pause | None:
    """The silence before the node's first frame, when somebody told of its first power-on."""
    told = limits.power_on_ns is not None or limits.power_cycles
    if not told or not len(times) or on_before(times, own, origin, limits):
        return None
    return Pause(origin + min(limits.begin_ns or 0, 0), int(times[0]))


def on_before_finding(network: str, node: str, limits: BenchLimits) -> Finding:
    """That its start was not measured."""
    return Finding(
        "on-before-power",
        Weight.CAUTION,
        Where(network, node, time_ns=limits.power_on_ns),
        f"{node} was sending before it is said to have got power: its start was not measured",
        why="A start-up time counted from a node that is on already means nothing.",
        action="Switch it off, start the test, and switch it on when you are told to.",
    )


def start_findings(
    start: StartUp | None, where: Where, limits: BenchLimits, cycle: int | None = None
) -> list[Finding]:
    """Whether it came up in time; late for sure is what no hand can have made late.

    ``cycle`` is the power cycle that it is of, counted from 1.
    """
    allowed = limits.start_within_ns
    if start is None or allowed is None or start.most_ns <= allowed:
        return []
    told, which = limits.power_on_ns, ""
    if cycle is not None:
        told = limits.power_cycles[cycle - 1][1]
        which = f"in power cycle {cycle} of {len(limits.power_cycles)} "
    at = None if told is None or start.known == BY_SUPPLY else told + start.most_ns
    hand = 0 if start.known == BY_SUPPLY else limits.hand_ns
    sure = min(start.least_ns, start.most_ns - hand) > allowed
    return [
        Finding(
            "starts-late",
            Weight.FAULT if sure else Weight.CAUTION,
            replace(where, time_ns=at),
            f"{which}the first frame came {start.told}; allowed {allowed / 1e9:.3f} s",
            why="Nodes that wait for it at power-up may give it up.",
            action="Ask the maker for the start-up time, and let the others wait longer.",
            figures=(
                Figure("start-up", start.most_ns / 1e9, "s"),
                Figure("allowed", allowed / 1e9, "s"),
            ),
        )
    ]


def start_not_shown(
    start: StartUp | None, times: I64, where: Where, limits: BenchLimits
) -> list[Finding]:
    """That a start somebody told or asked of was not seen; a silent node has its own finding."""
    if start is not None or not len(times) or limits.power_cycles:
        return []
    told, supply = limits.power_on_ns, limits.supply
    if told is not None:
        text = (
            f"no frame of it came after the moment it is said to have got power, {told / 1e9:g} s"
        )
    elif limits.start_within_ns is not None:
        text = "its start was to be timed, and nothing shows when it got power"
        text += f": {supply.message}.{supply.signal} did not rise" if supply is not None else ""
    else:
        return []
    return [
        Finding(
            "start-not-shown",
            Weight.CAUTION,
            where,
            text,
            why="A start that nobody saw says nothing of whether the node comes up in time.",
            action="Record from before it is switched on until it has sent for a while, and tell "
            "the moment with --power-on, counted from the first frame.",
        )
    ]


def error_findings(errors: int, entries: int, network: str, node: str) -> list[Finding]:
    """How many error frames came among all that was recorded."""
    if not errors:
        return []
    many = 100 * errors > entries
    return [
        Finding(
            "bus-errors",
            Weight.CAUTION if many else Weight.NOTE,
            Where(network, node),
            f"{counted(errors, 'error frame')} among {entries} frames",
            why="A short, quiet bench pair has none; each one costs the time of a frame.",
            action="Look at bit rate, sample point, terminators and plugs; see busplan bench "
            "--wiring.",
            figures=(Figure("errors", errors), Figure("entries", entries)),
        )
    ]


def after_errors(
    times: I64,
    own: list[Stream],
    error_ns: I64,
    span: Listened,
    network: str,
    node: str,
    limits: BenchLimits,
) -> list[Finding]:
    """Whether the node comes back after each bus error, and how soon.

    Errors before its first frame do not count: it may not have been switched on yet.
    """
    cycles = [s.cycle.ns for s in own if s.cycle is not None and not s.event]
    error_ns = error_ns[error_ns > times[0]] if len(times) else error_ns[:0]
    if not len(error_ns) or not cycles:
        return []
    allowed = round(limits.quiet_cycles * min(cycles))
    after = np.searchsorted(times, error_ns, side="right")
    back = np.append(times, span.end_ns)[after]
    quiet = back - error_ns
    worst = int(quiet.argmax())
    if int(quiet[worst]) <= allowed:
        return []
    returned = bool(after[worst] < len(times))
    return [
        Finding(
            "silent-after-error",
            Weight.CAUTION if returned else Weight.FAULT,
            Where(network, node, time_ns=int(error_ns[worst]) - span.begin_ns),
            f"after a bus error the node was silent for {plain(int(quiet[worst]) / 1e6)} ms"
            + ("" if returned else " and did not come back before the capture ended")
            + f"; allowed {plain(allowed / 1e6)} ms",
            why="A node that leaves the bus after an error takes its functions with it.",
            action="Ask the maker how it recovers from bus-off, and look at wiring and bit rate.",
            figures=(
                Figure("silence", int(quiet[worst]) / 1e6, "ms"),
                Figure("errors", len(error_ns)),
            ),
        )
    ]


def stopped(
    proofs: Sequence[MessageProof],
    own: Sequence[Stream],
    span: Listened,
    network: str,
    node: str,
    limits: BenchLimits,
) -> list[Finding]:
    """Whether all of the node went silent before the end: switched off, or failed?

    Messages sent on an event say nothing of when the next one is due.
    """
    cycles = [
        max(p.expected.ns, p.cycle.median_ns)
        for p, s in zip(proofs, own, strict=True)
        if p.expected is not None and p.cycle is not None and not s.event
    ]
    silence = span.end_ns - span.last_ns
    if not cycles or silence <= limits.gap_cycles * min(cycles):
        return []
    return [
        Finding(
            "stops-early",
            Weight.CAUTION,
            Where(network, node, time_ns=span.last_ns - span.begin_ns),
            f"its last frame came {plain(silence / 1e9, 3)} s before the end",
            why="Unless somebody switched it off, it has failed during the test.",
            action="Repeat the test; watch its supply and its wake-up line.",
            figures=(Figure("silence", silence / 1e9, "s"),),
        )
    ]


def silent_finding(
    network: str, node: str, own: list[Stream], came: Sequence[Stream], asks: int
) -> Finding:
    """That nothing of it came; what of other nodes came, and how many remote frames ask for it."""
    told = "its message never came" if len(own) == 1 else f"none of its {len(own)} messages came"
    action = "See busplan bench --wiring for what to measure when nothing arrives."
    if asks:
        told += f"; {counted(asks, 'remote frame')} under its identifiers, which ask for it, did"
    if came:
        each = listing(f"{s.message.label} of {s.node}" for s in came)
        told += f", while {each} did"
        action = (
            f"Where {node} is alone on the bench the frames are its own: it is set to identifiers "
            "of another node, and would clash with it. Else see busplan bench --wiring."
        )
    return Finding(
        "node-silent",
        Weight.FAULT,
        Where(network, node),
        told,
        why="There is nothing to judge.",
        action=action,
    )


def silent_once(findings: Sequence[Finding]) -> list[Finding]:
    """The findings, with what a silent node was asked in vain named in that it is silent.

    A node that answered anything is not silent altogether: what it left unanswered stands alone.
    """
    unanswered = [f for f in findings if f.code == "request-unanswered"]
    silent = next((f for f in findings if f.code == "node-silent"), None)
    if silent is None or not unanswered or any(f.code in ANSWERED for f in findings):
        return list(findings)
    told = replace(
        silent,
        summary=f"{silent.summary}; {listing(f.summary for f in unanswered)}",
        figures=(*silent.figures, Figure("unanswered", len(unanswered))),
    )
    return [told if f is silent else f for f in findings if f not in unanswered]
