"""The networks: load now, over the last minute and at its peak, errors, silent nodes, shares."""

from __future__ import annotations

from busplan.plan.vehicle import Network
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.plot import draw_load
from busplan.screens.runs import FAINT, HEAD, PLAIN, Line, clip, clock_text, load_bar
from busplan.screens.timeline import column_of

BIGGEST = 3


def draw_networks(replay: Replay, snapshot: Snapshot, columns: int, *, curves: bool) -> list[Line]:
    """All networks; ``curves`` adds the load over the whole capture."""
    lines: list[Line] = []
    lead = max((len(n) for n in replay.vehicle.networks), default=0) + 1
    bar = max(columns - lead - 5 - 11, 10)
    marks = "".join(f"{part:<{bar // 4}}" for part in ("0", "25", "50", "75 %"))
    lines.append([(" " * lead + marks[:bar].ljust(bar), FAINT), ("  now  limit", FAINT)])
    for i, load in enumerate(snapshot.loads):
        network = replay.vehicle.networks[load.network]
        if not load.recorded:
            lines.append([(f"{load.network:<{lead}}", FAINT), ("not in this capture", "missing")])
            continue
        over = "over" if load.now > network.load_limit else "strong"
        lines.append(
            [
                (f"{load.network:<{lead}}", HEAD),
                *load_bar(load.now, network.load_limit, bar),
                (f" {load.now:4.0%}", over),
                (f"  {network.load_limit:4.0%}", FAINT),
            ]
        )
        indent = " " * lead
        lines.append(
            clip(
                [
                    (indent, PLAIN),
                    ("minute ", FAINT),
                    (f"{load.minute:.1%}", PLAIN),
                    ("  peak ", FAINT),
                    (f"{load.peak:.1%}", PLAIN),
                    (f" at {clock_text(load.peak_ns)}  ", FAINT),
                    (f"{load.frames_per_s:.0f}", PLAIN),
                    (" frames/s  errors ", FAINT),
                    (str(load.errors), "caution" if load.errors_minute else PLAIN),
                    (f"  {bit_rates(network)}", FAINT),
                ],
                columns,
            )
        )
        lines.append(clip([(indent, PLAIN), *biggest(replay, snapshot, load.network)], columns))
        if curves:
            wide = columns - lead
            cursor = column_of(snapshot.t_ns, replay.span_ns, wide)
            curve = replay.traffic.curve(load.network, wide)
            lines.append([(indent, PLAIN), *draw_load(curve, network.load_limit, cursor)])
        for gone in snapshot.silent:
            if gone.network == load.network:
                lines.append([(indent, PLAIN), *silence_line(gone.node, gone.since_ns)])
        if i + 1 < len(snapshot.loads) and curves:
            lines.append([])
    return lines


def silence_line(node: str, since_ns: int | None) -> Line:
    """A node that does not send, and since when."""
    if since_ns is None:
        return [(f". {node} not heard", "note")]
    return [(f"! {node} silent since {clock_text(since_ns)}", "caution")]


def bit_rates(network: Network) -> str:
    """Bit rates as the trade writes them."""
    text = f"{network.bit_rate // 1000} kbit/s"
    if network.data_bit_rate:
        text += f", data {network.data_bit_rate / 1e6:g} Mbit/s"
    return text


def biggest(replay: Replay, snapshot: Snapshot, network: str) -> Line:
    """The messages with the biggest shares of the last minute."""
    here = [i for i, line in enumerate(replay.lines.lines) if line.key.network == network]
    order = sorted(here, key=lambda i: -snapshot.share[i])[:BIGGEST]
    line: Line = [("biggest", FAINT)]
    for i in order:
        if snapshot.share[i] > 0:
            each = replay.lines.lines[i]
            name = each.name if each.message else each.label
            line += [(f"  {name}", PLAIN), (f" {snapshot.share[i]:.2%}", FAINT)]
    return line if len(line) > 1 else [("nothing in the last minute", FAINT)]
