"""Bus simulation: who is on the wire when, on all networks of a vehicle at once.

The rules of this file:

* A frame is *due* (its event happens), then *queued* at most the jitter later, then *starts* and
  *ends*. All times are integer nanoseconds from the start of the simulation. A frame ends with its
  intermission, as response-time analysis counts it; a capture shows the end of the frame itself.
* Whenever a wire falls idle, everything queued by that moment takes part in arbitration; the most
  urgent identifier wins, and equal identifiers are sent in the order of the feeds (the two senders
  never meet on the wire, which would destroy both frames).
* A node's queue is by priority (all its messages take part in arbitration) or first-in-first-out
  (only its oldest). Frames of one feed never overtake each other.
* Without ``overwrite`` every queued instance is sent, however late, as the analysis assumes. With
  it a new instance takes the place (also in a first-in-first-out queue) of one that still waits;
  the older one is lost and counted in ``Simulation.replaced``. A frame on the wire is never
  replaced, unless a fault breaks it.
* A fault breaks the frame on the wire at that moment: an error frame follows, then the frame takes
  part in arbitration again. A fault while nothing is sent does nothing.
* A gateway queues a frame on the next network a fixed delay after it ended on the first one; so
  do senders and receivers of a session with the next frame of it. Sessions of a chain (a node's
  broadcasts, the connections of a pair of nodes) wait for each other.
* Everything random comes from a seed; the same input gives the same output.

What goes in is :mod:`busplan.timing.simulation_input`, the event loop itself
:mod:`busplan.timing.simulation_kernel`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I32, I64
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network
from busplan.timing.simulation_input import BitCount, Faults, Feed, Payloads
from busplan.timing.simulation_setup import Cargo, blank_record, cargo_of, intermission_ns, lay_out
from busplan.wire.exact import exact_bits
from busplan.wording import listing

__all__ = ["BitCount", "Faults", "Feed", "Payloads", "Simulation", "simulate"]

ERROR_CLASS = 0x88
"""What an interface reports for an error frame: protocol violation and bus error, as class bits of
the Linux SocketCAN error frame (from memory)."""


@dataclass(frozen=True, eq=False, repr=False)
class Simulation:
    """What happened. Columns of shape ``(n_frames,)`` in order of the end of each frame.

    * ``feed`` index into ``feeds``; ``due_ns``, ``queued_ns``, ``start_ns`` (of the last attempt),
      ``end_ns`` (intermission included); ``attempts`` 1 unless faults broke it;
    * ``parent`` row of the frame a gateway forwarded as this one, -1 for all others; such a frame
      is due when the gateway queues it, its delay after the parent ended.

    Per feed: ``replaced`` instances lost to newer ones, ``unsent`` not sent by the end of the run
    (what was queued behind the last, unfinished frame included). Per network: ``busy_ns`` [ns] on
    the wire, error frames included. Per error frame: ``error_network``, ``error_end_ns``.
    """

    networks: tuple[Network, ...]
    feeds: tuple[Feed, ...]
    feed: I32
    due_ns: I64
    queued_ns: I64
    start_ns: I64
    end_ns: I64
    attempts: npt.NDArray[np.uint16]
    parent: I64
    replaced: I64
    unsent: I64
    busy_ns: I64
    error_network: I32
    error_end_ns: I64
    _instance: I32
    _cargo: Cargo

    def __len__(self) -> int:
        return len(self.feed)

    def __repr__(self) -> str:
        names = listing((repr(n.name) for n in self.networks), 6)
        return f"<Simulation: {len(self):,} frames of {len(self.feeds)} messages on {names}>"

    @cached_property
    def response_ns(self) -> I64:
        """From due to end of each frame, jitter included: what response-time analysis bounds."""
        return self.end_ns - self.due_ns

    @cached_property
    def sent(self) -> I64:
        """How many frames of each feed were sent, ``(n_feeds,)``."""
        return np.bincount(self.feed, minlength=len(self.feeds)).astype(np.int64)

    def session_ns(self, begins: int, ends: int) -> I64:
        """From due to the end of each session between its first and its last feed."""
        rows = self.rows_of(ends)
        due = self.feeds[begins].due_ns[self._instance[rows]]
        return np.asarray(self.end_ns[rows] - due, np.int64)

    def rows_of(self, feed: int) -> I64:
        """Rows of one feed's frames, in order."""
        return np.flatnonzero(self.feed == feed)

    def frames(self, *, start_ns: int = 0, errors: bool = True) -> FrameTable:
        """The frames as a recorder on every network would see them, ordered by time.

        Time stamps are the end of each frame, without its intermission, plus ``start_ns``
        (nanoseconds since 1970 make them wall-clock times; 0 an arbitrary start).
        """
        cargo, feed = self._cargo, self.feed
        rest = np.array([intermission_ns(n) for n in self.networks], np.int64)
        network = cargo.network[feed]
        length = cargo.length[feed]
        n_errors = len(self.error_network) if errors else 0
        columns: list[tuple[Any, Any]] = [
            (self.end_ns - rest[network], (self.error_end_ns - rest[self.error_network])),
            (network, self.error_network.astype(np.uint16)),
            (cargo.identifier[feed], np.full(n_errors, ERROR_CLASS, np.uint32)),
            (cargo.flags[feed], np.full(n_errors, ERROR, np.uint8)),
            (length, np.full(n_errors, 8, np.uint8)),
            (
                cargo.start[feed] + self._instance * length.astype(np.int64),
                np.full(n_errors, len(cargo.payload)),
            ),
        ]
        time, *others = (np.concatenate([a, b[:n_errors]]) if n_errors else a for a, b in columns)
        # Networks differ in the length of their intermission, so ends are not quite in order.
        order = np.argsort(time, kind="stable")
        network, identifier, flags, length, start = (column[order] for column in others)
        payload = np.concatenate([cargo.payload, np.zeros(8, np.uint8)])
        return FrameTable(
            networks=tuple(n.name for n in self.networks),
            time_ns=time[order] + start_ns,
            network=network,
            identifier=identifier,
            flags=flags,
            length=length,
            start=start,
            payload=payload if n_errors else cargo.payload,
            epoch=start_ns > 0,
        )


def simulate(
    networks: Sequence[Network],
    feeds: Sequence[Feed],
    *,
    until_ns: int | None = None,
    faults: Mapping[str, Faults] | None = None,
    bits: BitCount = exact_bits,
) -> Simulation:
    """Send the ``feeds`` over the ``networks``.

    ``until_ns`` ends the run; frames that have not ended by then are unsent. ``None`` sends
    everything. ``bits`` says how long each frame is: exactly, unless told otherwise. Raises
    ``ValueError`` when a feed names a network or a forwarded stream that is not there, or a payload
    that no frame can carry.
    """
    from busplan.timing.simulation_kernel import NEVER, run_networks

    cargo = cargo_of(networks, feeds)
    setup, place = lay_out(networks, feeds, cargo, faults or {}, bits)
    record = blank_record(setup)
    n, errors = run_networks(setup, NEVER - 1 if until_ns is None else until_ns, record)
    sent = np.bincount(record.stream[:n], minlength=len(feeds))
    back = np.argsort(place)
    known = setup.known[back]
    for i, feed in enumerate(feeds):
        if feed.chain and feed.forwards is None:
            known[i] = len(feed.queued_ns)
    return Simulation(
        networks=tuple(networks),
        feeds=tuple(feeds),
        feed=place.astype(np.int32)[record.stream[:n]],
        due_ns=record.due[:n],
        queued_ns=record.queued[:n],
        start_ns=record.start[:n],
        end_ns=record.end[:n],
        attempts=record.attempts[:n],
        parent=record.parent[:n] if len(record.parent) else np.broadcast_to(np.int64(-1), n),
        replaced=record.replaced[back],
        unsent=known - (record.replaced + sent)[back],
        busy_ns=record.busy,
        error_network=record.error_network[:errors],
        error_end_ns=record.error_end[:errors],
        _instance=record.instance[:n],
        _cargo=cargo,
    )
