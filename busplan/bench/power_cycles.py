"""Power-ons in a row: how soon each message comes, and whether it is right from its first frame.

The rules of this file: pure. Times after the prompt hold the tester's hand; times after the node's
own first frame do not, so spreads are those. A cycle in which the node was not seen to go off is
not counted. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busplan.bench.losses import lost_pauses
from busplan.bench.node_report import BenchLimits
from busplan.bench.rhythm import Pause
from busplan.bench.starts import MessageStart, PowerCycles, StartUp
from busplan.bench.supply import Supply, edge_after
from busplan.bench.uptime import start_findings
from busplan.decode.codec import decode_message
from busplan.decode.protected_names import counts_frames, is_named_checksum, whole_byte
from busplan.decode.protection import best_fit, expected_checksums, find_checksum
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing, plain, plural

OFF_NS = 500_000_000
"""A node that has been silent for so long before its first frame was off."""
UNEVEN_CYCLES = 3.0
"""A message whose first frame strays by more of its cycles starts unevenly."""
FIRST_FRAMES = 10
"""So many frames from the first one on are looked at closely."""


def expected_pauses(
    found: Sequence[Pause], limits: BenchLimits, origin_ns: int, by_hand: Sequence[Pause]
) -> list[Pause]:
    """Those silences that a power cycle of the test explains, or a fault by hand."""
    spans = [(origin_ns + off, origin_ns + on) for off, on in limits.power_cycles]
    spans += [(p.from_ns, p.to_ns) for p in by_hand]
    return [p for p in found if any(p.from_ns <= on and p.to_ns >= off for off, on in spans)]


def power_cycles(
    table: FrameTable,
    own: Sequence[Stream],
    times: I64,
    supply: Supply,
    limits: BenchLimits,
    origin_ns: int,
) -> PowerCycles | None:
    """What the power-ons of a test showed; ``times`` (n,) is when the node sent anything [ns].

    ``None`` when the test had none.
    """
    if not limits.power_cycles:
        return None
    spans = [(origin_ns + off, origin_ns + on) for off, on in limits.power_cycles]
    ends = [off for off, _ in spans[1:]] + [int(times[-1]) + 1 if len(times) else origin_ns]
    starts: list[tuple[int, int]] = []
    since: list[StartUp] = []
    numbers: list[int] = []
    keys = frozenset(s.key for s in own)
    gone = 0
    lost = 0
    for number, ((off, on), end) in enumerate(zip(spans, ends, strict=True), 1):
        if any(p.from_ns < max(end, on) and p.to_ns > off for p in lost_pauses(limits, origin_ns)):
            lost += 1
            continue
        at = _start(times, on, end)
        gone += bool(np.searchsorted(times, on) == np.searchsorted(times, max(end, on)))
        if at is not None:
            starts.append((at, end))
            numbers.append(number)
            since.append(
                StartUp.since(edge_after(table, keys, on, at, supply, limits, spans[0][0]), at)
            )
    messages = tuple(_message(table, s, starts) for s in own if not s.event)
    return PowerCycles(
        wanted=len(spans),
        seen=len(starts),
        first_s=tuple(s.most_ns / 1e9 for s in since),
        least_s=tuple(s.least_ns / 1e9 for s in since),
        known=tuple(s.known for s in since),
        numbers=tuple(numbers),
        messages=messages,
        gone=gone,
        lost=lost,
    )


def _start(times: I64, on_ns: int, end_ns: int) -> int | None:
    """The first frame after the prompt, when the node was silent before it."""
    first = int(np.searchsorted(times, on_ns))
    if first >= len(times) or int(times[first]) >= end_ns:
        return None
    before = int(times[first - 1]) if first else None
    quiet = before is None or int(times[first]) - before >= OFF_NS
    return int(times[first]) if quiet else None


def _message(table: FrameTable, stream: Stream, starts: Sequence[tuple[int, int]]) -> MessageStart:
    rows = table.rows_of(stream.key)
    times = table.time_ns[rows]
    after, counts, wrong = [], [], 0
    for start, end in starts:
        low, high = np.searchsorted(times, (start, end))
        if low == high:
            continue
        after.append((int(times[low]) - start) / 1e6)
        mine = rows[low:high]
        counts += _first_count(table, mine[:1], stream)
        wrong += _wrong_at_first(table, rows, mine[:FIRST_FRAMES], stream)
    middle = float(np.median(after)) if after else None
    return MessageStart(
        stream.message.name,
        len(after),
        min(after, default=None),
        middle,
        max(after, default=None),
        tuple(sorted(set(counts))),
        wrong,
    )


def _first_count(table: FrameTable, row: I64, stream: Stream) -> list[int]:
    names = [s.name for s in stream.message.signals if counts_frames(s)]
    if not names:
        return []
    column = decode_message(table, row, stream.message, names[:1])[names[0]]
    return [int(raw) for raw in column.raw[column.present]]


def _wrong_at_first(table: FrameTable, rows: I64, first: I64, stream: Stream) -> bool:
    """Whether a named checksum of the first frames is not as it is made in all the others."""
    message = stream.message
    named = [s for s in message.signals if is_named_checksum(s)]
    places = [b for s in named if (b := whole_byte(s)) is not None]
    whole = rows[table.length[rows] == message.length]
    early = first[table.length[first] == message.length]
    if not places or not len(early):
        return False
    found = find_checksum(table.payload_matrix(whole, message.length), positions=(places[0],))
    if found is None:
        return False
    payloads = table.payload_matrix(early, message.length)
    kind = best_fit(table.payload_matrix(whole, message.length), found.kind, (places[0],))
    return bool((expected_checksums(payloads, kind) != payloads[:, kind.position]).any())


def start_findings_of(
    cycles: PowerCycles, own: Sequence[Stream], where: Where, limits: BenchLimits
) -> list[Finding]:
    """What the power-ons amount to."""
    findings = _late(cycles, where, limits)
    if cycles.gone:
        findings.append(
            Finding(
                "cycle-not-back",
                Weight.CAUTION,
                where,
                f"after {cycles.gone} of {counted(cycles.wanted, 'power-on')} nothing of the node "
                "was heard",
                why="Either it did not start, or nobody switched it on: the recording cannot tell.",
                action="Test again and see that it gets its supply at each prompt; if it does, "
                "the node does not always start.",
                figures=(Figure("silent", cycles.gone), Figure("wanted", cycles.wanted)),
            )
        )
    stayed_on = cycles.wanted - cycles.seen - cycles.gone - cycles.lost
    if stayed_on:
        findings.append(
            Finding(
                "cycle-not-off",
                Weight.CAUTION,
                where,
                f"in {stayed_on} of {counted(cycles.wanted, 'power cycle')} the node was not seen "
                "to go off",
                why="A start that was not one says nothing.",
                action="Switch it off and on when the prompts come; leave it off for longer.",
                figures=(Figure("seen", cycles.seen), Figure("wanted", cycles.wanted)),
            )
        )
    by_name = {s.message.name: s for s in own}
    for one in cycles.messages:
        here = Where(where.network, where.node, one.message)
        if cycles.seen and one.cycles < cycles.seen:
            findings.append(
                Finding(
                    "start-incomplete",
                    Weight.FAULT,
                    here,
                    f"{one.message} came in {one.cycles} of {cycles.seen} power cycles only",
                    why="A node that does not always start whole leaves its receivers waiting.",
                    action="Look at its supply at power-on; ask the maker what it waits for.",
                    figures=(Figure("came", one.cycles), Figure("of", cycles.seen)),
                )
            )
        cycle = by_name[one.message].cycle
        least, most = one.least_ms, one.most_ms
        if (
            cycle is not None
            and least is not None
            and most is not None
            and most - least > UNEVEN_CYCLES * cycle.ms
        ):
            findings.append(_uneven(one.message, least, most, here))
        if one.wrong:
            findings.append(
                Finding(
                    "checksum-wrong-at-start",
                    Weight.FAULT,
                    here,
                    f"{one.message} had a wrong checksum among its first {FIRST_FRAMES} frames in "
                    f"{counted(one.wrong, 'power cycle')} of {cycles.seen}",
                    why="Receivers that check it drop these frames, or take the node for faulty.",
                    action="Ask the maker: it sends before its checksum is set up.",
                    figures=(Figure("cycles", one.wrong), Figure("of", cycles.seen)),
                )
            )
    return findings


def _late(cycles: PowerCycles, where: Where, limits: BenchLimits) -> list[Finding]:
    """The worst of the starts that were late, and which others were."""
    late = {
        number: found[0]
        for number, start in zip(cycles.numbers, _starts(cycles), strict=True)
        if (found := start_findings(start, where, limits, number))
    }
    if not late:
        return []
    worst = max(late, key=lambda n: (late[n].weight, float(late[n].figures[0].value)))
    others = [str(n) for n in late if n != worst]
    if not others:
        return [late[worst]]
    told = f"{late[worst].summary}; late in {plural(len(others), 'cycle')} {listing(others)}, too"
    return [replace(late[worst], summary=told)]


def _starts(cycles: PowerCycles) -> list[StartUp]:
    seen = zip(cycles.least_s, cycles.first_s, cycles.known, strict=True)
    return [StartUp(round(least * 1e9), round(most * 1e9), known) for least, most, known in seen]


def _uneven(message: str, least_ms: float, most_ms: float, here: Where) -> Finding:
    spread_ms = most_ms - least_ms
    return Finding(
        "start-uneven",
        Weight.CAUTION,
        here,
        f"the first frame of {message} comes {plain(least_ms)} to "
        f"{plain(most_ms)} ms after the node's first one, {plain(spread_ms)} ms apart "
        "from start to start",
        why="Receivers have to wait for the slowest start.",
        action="Ask the maker what the start waits for.",
        figures=(Figure("spread", spread_ms, "ms"),),
    )


def cycle_lines(cycles: PowerCycles) -> list[tuple[str, str]]:
    """The power-ons as rows of the record's head."""
    if not cycles.first_s:
        return [("power cycles", f"0 of {cycles.wanted} seen")]
    slowest = max(_starts(cycles), key=lambda s: s.most_ns)
    rows = [
        (
            "power cycles",
            f"{cycles.seen} of {cycles.wanted} seen; first frame {min(cycles.first_s):.2f} to "
            f"{max(cycles.first_s):.2f} s after power-on; the slowest {slowest.told}",
        )
    ]
    for m in cycles.messages:
        if m.least_ms is not None and m.middle_ms is not None and m.most_ms is not None:
            began = listing(map(str, m.first_counts), 6)
            counter = f"; its counter began with {began}" if began else ""
            rows.append(
                (
                    f"start of {m.message}",
                    f"{plain(m.least_ms)} / {plain(m.middle_ms)} / {plain(m.most_ms)} ms "
                    f"after the node's first frame (least, middle, most of {m.cycles}){counter}",
                )
            )
    return rows
