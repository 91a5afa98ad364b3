"""When the node got its supply: by the prompt, or as closely as the capture shows it.

The rules of this file: pure. From the prompt until the supply is on a hand takes up to
``BenchLimits.hand_ns``. A capture narrows that: the node's own first frame, a node that was silent
until the prompt, or errors where there were none cannot come before the supply does, when they hang
on the same one. A signal of another sender that measures the supply shows its edge itself, between
two frames. Common practice, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from busplan.bench.node_report import BenchLimits, SupplySignal
from busplan.bench.starts import BY_HAND, BY_SUPPLY, Edge
from busplan.decode.codec import decode_message
from busplan.definitions.model import Message
from busplan.errors import UsageError
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.wording import listing

QUIET_NS = 500_000_000
"""So long before the prompt whatever begins with the supply has to have been silent."""
REACTION_NS = 100_000_000
"""No hand switches sooner after a prompt: what comes within it was coming anyway."""
LEAST_RISE = 0.3
"""A supply that comes rises by this share of its highest value at least."""


def supply_message(
    vehicle: Vehicle, node: str, network: str, wanted: SupplySignal
) -> tuple[FrameKey, Message]:
    """The message of another sender that carries the signal, and its key on the network.

    Raises :class:`UsageError` when nobody else sends it.
    """
    others = {s.message.name: (s.key, s.message) for s in vehicle.on(network) if s.node != node}
    port = vehicle.nodes[node].on[network]
    for message in port.messages:
        if port.sender not in message.senders:
            key = FrameKey(network, message.extended, message.identifier)
            others.setdefault(message.name, (key, message))
    found = others.get(wanted.message)
    if found is None or not found[1].has(wanted.signal):
        raise UsageError(
            f"no other sender on {network} has the supply signal {wanted.message}.{wanted.signal}; "
            f"messages of others: {listing(others, 6) or 'none'}"
        )
    return found


Supply = tuple[I64, npt.NDArray[np.float64]]
"""Times [ns] and values of the supply signal."""


def supply_values(
    table: FrameTable, vehicle: Vehicle, node: str, network: str, wanted: SupplySignal | None
) -> Supply:
    """Times [ns] and values of the supply signal; empty without one."""
    empty = np.empty(0, np.int64), np.empty(0, np.float64)
    if wanted is None:
        return empty
    key, message = supply_message(vehicle, node, network, wanted)
    rows = table.rows_of(key)
    if not len(rows):
        return empty
    decoded = decode_message(table, rows, message, [wanted.signal])
    column = decoded[wanted.signal]
    values = np.asarray(column.values[column.present], np.float64)
    good = np.isfinite(values)
    return decoded.time_ns[column.present][good], values[good]


def rises(supply: Supply) -> list[Edge]:
    """Where the supply comes: between the last low value and the first high one."""
    times, values = supply
    if len(values) < 2:
        return []
    low, high = float(values.min()), float(values.max())
    if high - low < LEAST_RISE * abs(high):
        return []
    on = values > (low + high) / 2
    places = np.flatnonzero(on[1:] & ~on[:-1])
    return [Edge(int(times[p]), int(times[p + 1]), BY_SUPPLY) for p in places]


def edge_after(
    table: FrameTable,
    own: frozenset[FrameKey],
    prompt_ns: int,
    first_ns: int,
    supply: Supply,
    limits: BenchLimits,
    begin_ns: int,
) -> Edge:
    """When the supply came after a prompt; ``first_ns`` is the node's first frame after it.

    ``own`` are the node's keys; since ``begin_ns`` was listened.
    """
    for edge in rises(supply):
        if edge.to_ns >= prompt_ns and edge.from_ns <= first_ns:
            return edge
    if limits.hand_ns <= 0:
        return Edge(prompt_ns, prompt_ns, BY_HAND)
    shown = [(prompt_ns + limits.hand_ns, BY_HAND), (first_ns, BY_HAND)]
    errors = table.time_ns[(table.flags & ERROR) != 0]
    shown += _first(errors, prompt_ns, begin_ns, "by the first bus error")
    for key, rows in table.groups.items():
        if key not in own:
            name = format_identifier(key.identifier, key.extended)
            shown += _first(
                table.time_ns[rows], prompt_ns, begin_ns, f"by the first frame of {name}"
            )
    to_ns, known = min(shown)
    return Edge(prompt_ns, to_ns, known)


def _first(times: I64, prompt_ns: int, begin_ns: int, known: str) -> list[tuple[int, str]]:
    """The first moment after the prompt, when there was none for a while before it."""
    place = int(np.searchsorted(times, prompt_ns + REACTION_NS))
    if place >= len(times):
        return []
    before = int(times[place - 1]) if place else begin_ns
    return [(int(times[place]), known)] if prompt_ns - before >= QUIET_NS else []
