"""The networks: load now, over the last minute and at its peak, errors, silent nodes, shares."""

from __future__ import annotations

from busplan.checks.wording import rates
from busplan.plan.vehicle import Network
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.text.draw import COUNTING, unrecorded
from busplan.text.load_bar import load_bar
from busplan.text.plot import draw_load
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, clip, clock_text, flow, marked, span_text
from busplan.text.timeline import column_of
from busplan.traffic.running import Load
from busplan.wire.load_limit import over_limit
from busplan.wording import percent

BIGGEST = 3
HIGHEST = 5
"""Most rows of a load over time, with the empty one below it."""


def draw_networks(
    replay: Replay, snapshot: Snapshot, columns: int, rows: int | None = None
) -> list[Line]:
    """All networks; each one's load over the whole capture as high as ``rows`` leave room for."""
    lines: list[Line] = []
    lead = max((len(n) for n in replay.vehicle.networks), default=0) + 1
    bar = max(columns - lead - 5 - 11, 10)
    marks = "".join(f"{part:<{bar // 4}}" for part in ("0", "25", "50", "75 %"))
    lines.append([(" " * lead + marks[:bar].ljust(bar), FAINT), ("   now  limit", FAINT)])
    legend: Line = [
        ("█", "bar"),
        (" last second  ", FAINT),
        ("░", "bar"),
        (" up to the peak  ", FAINT),
        ("^", "limit"),
        (" mean of the minute  ", FAINT),
        ("|", "limit"),
        (" limit", FAINT),
    ]
    lines.append(clip([(" " * lead, PLAIN), *legend], columns))
    indent: Line = [(" " * lead, PLAIN)]
    recorded = sum(load.recorded for load in snapshot.loads)
    needed = len(lines) + 3 * recorded + len(snapshot.silent) + len(unrecorded(snapshot, columns))
    spare = HIGHEST if rows is None else (rows - needed) // max(recorded, 1)
    curves = min(max(spare, 0), HIGHEST)
    for load in snapshot.loads:
        if not load.recorded:
            continue
        if not load.counted:
            lines.append([(f"{load.network:<{lead}}", HEAD), (COUNTING, FAINT)])
            continue
        network = replay.vehicle.networks[load.network]
        full = over_limit(load.now, network.load_limit)
        bars = load_bar(load.now, network.load_limit, bar, minute=load.minute, peak=load.peak)
        lines.append(
            [
                (f"{load.network:<{lead}}", HEAD),
                *bars,
                (f" {percent(load.now, 0):>5}{'!' if full else ' '}", "over" if full else "strong"),
                (f" {percent(network.load_limit, 0):>5}", FAINT),
            ]
        )
        gone = [s for s in snapshot.silent if s.network == load.network]
        if gone:
            lines += flow([silence_line(s.node, s.since_ns) for s in gone], columns, indent)
        shares = biggest(replay, snapshot, load.network)
        told = figures(load, network)
        # The biggest shares get what is left of two lines, at least one of them.
        while len(flow([*told, *shares], columns, indent)) > 2 and len(shares) > 1:
            shares.pop()
        lines += flow([*told, *shares], columns, indent)
        if curves:
            wide = columns - lead
            cursor = column_of(snapshot.t_ns, replay.span_ns, wide)
            drawn = _over_time(replay, load.network, wide, max(curves - 1, 1))
            lines += [[*indent, *marked(line, cursor)] for line in drawn]
            lines += [[]] if curves > 1 else []
    return [*lines, *unrecorded(snapshot, columns)]


def figures(load: Load, network: Network) -> list[Line]:
    """Load over a minute and at its peak, frames, errors, bit rate."""
    errors = f"{load.errors} errors" if load.errors != 1 else "1 error"
    return [
        [("minute ", FAINT), (percent(load.minute), PLAIN)],
        [
            ("peak ", FAINT),
            # Before the first second is over there is none.
            (percent(load.peak) if load.peak else "-", PLAIN),
            (f" at {clock_text(load.peak_ns)}" if load.peak else "", FAINT),
        ],
        [(f"{load.frames_per_s:.0f}", PLAIN), (" frames/s", FAINT)],
        [(f"{errors}{'!' if load.errors_minute else ''}", "caution" if load.errors else PLAIN)],
        [(rates(network), FAINT)],
    ]


def _over_time(replay: Replay, network: str, columns: int, rows: int) -> list[Line]:
    limit = replay.vehicle.networks[network].load_limit
    return replay.keep(
        (draw_load, network, columns, rows),
        lambda: draw_load(replay.traffic.curve(network, columns), limit, rows),
    )


def silence_line(node: str, since_ns: int | None) -> Line:
    """A node that does not send, and since when."""
    if since_ns is None:
        return [(f". {node} not heard", "note")]
    if since_ns < 0:
        return [(f"! {node} silent since {span_text(-since_ns)} before what is held", "caution")]
    return [(f"! {node} silent since {clock_text(since_ns)}", "caution")]


def biggest(replay: Replay, snapshot: Snapshot, network: str) -> list[Line]:
    """The messages with the biggest shares of the last minute."""
    here = [i for i, line in enumerate(replay.lines.lines) if line.key.network == network]
    order = sorted(here, key=lambda i: -snapshot.share[i])[:BIGGEST]
    parts: list[Line] = []
    for i in order:
        if snapshot.share[i] > 0:
            each = replay.lines.lines[i]
            name = each.name if each.message else each.label
            lead: Line = [] if parts else [("biggest ", FAINT)]
            parts.append([*lead, (name, PLAIN), (f" {percent(snapshot.share[i], 2)}", FAINT)])
    return parts or [[("nothing in the last minute", FAINT)]]
