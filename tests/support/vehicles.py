"""Small vehicles made in a line, for tests that need no plan file."""

from collections.abc import Sequence

import numpy as np

from busplan.definitions.model import Message, Origin, Stated
from busplan.plan.route import Route
from busplan.plan.vehicle import Network, Node, Part, Port, Stream, Vehicle

MS = 1_000_000


def stream(
    identifier: int,
    *,
    network: str = "a",
    node: str = "n",
    name: str | None = None,
    length: int = 8,
    extended: bool = False,
    fd: bool = False,
    cycle_ms: float | None = 10,
    deadline_ms: float | None = None,
    jitter_ms: float = 0,
    offset_ms: float | None = None,
    event: bool = False,
    via: str | None = None,
) -> Stream:
    """One stream; its deadline is its cycle time unless stated."""
    message = Message(
        name or f"M{identifier:X}",
        identifier,
        extended,
        length,
        senders=(node,),
        fd=fd,
        bit_rate_switch=fd,
    )
    cycle = None if cycle_ms is None else Stated(round(cycle_ms * MS), Origin.PLAN)
    deadline = cycle if deadline_ms is None else Stated(round(deadline_ms * MS), Origin.PLAN)
    offset = None if offset_ms is None else round(offset_ms * MS)
    return Stream(
        network=network,
        node=node,
        message=message,
        cycle=cycle,
        deadline=deadline,
        jitter_ns=round(jitter_ms * MS),
        offset_ns=offset,
        event=event,
        via=via,
    )


def vehicle(
    streams: Sequence[Stream],
    networks: Sequence[Network] = (Network("a", 500_000),),
    *,
    fifo: Sequence[str] = (),
    routes: Sequence[Route] = (),
) -> Vehicle:
    """A vehicle of these streams; the nodes named in ``fifo`` queue first-in-first-out."""
    nodes = {}
    for name in dict.fromkeys(s.node for s in streams):
        on = {s.network: Port(s.network, (), name) for s in streams if s.node == name}
        part = Part(name, "", on, queue="fifo" if name in fifo else "priority")
        nodes[name] = Node(name, part, on)
    parts = {name: node.part for name, node in nodes.items()}
    by_name = {n.name: n for n in networks}
    return Vehicle("test", "", by_name, parts, nodes, tuple(streams), routes=tuple(routes))


def crowd(sent: Stream, start_ns: int, span_ns: int) -> tuple[np.ndarray, np.ndarray]:
    """Releases that hurt most: the first as late as its jitter allows, the others at once.

    When they are due and queued, from ``start_ns`` on for ``span_ns``.
    """
    due = start_ns + np.arange(-(-span_ns // sent.cycle.ns), dtype=np.int64) * sent.cycle.ns
    due -= sent.jitter_ns
    return due, np.maximum(due, start_ns)
