"""A vehicle for a capture that has no plan: each channel a network, nothing known of its frames."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import FrameKey
from busplan.plan.vehicle import Network, Stream, Vehicle
from busplan.traffic.measured_load import Rates

if TYPE_CHECKING:
    from busplan.definitions.dbc import Definitions

ASSUMED_RATE, ASSUMED_DATA_RATE = 500_000, 2_000_000
"""Bit rates [bit/s] of loads while nobody states others: common practice, no source."""


def bare_vehicle(
    channels: Iterable[str],
    rates: Mapping[str, Rates],
    definitions: Sequence[Definitions] = (),
    heard: Collection[FrameKey] | None = None,
) -> tuple[Vehicle, tuple[Finding, ...]]:
    """One network for each channel at its stated bit rate, and what had to be assumed.

    Each of ``definitions`` belongs to the networks on which most of its identifiers were ``heard``
    (``None``: to all); where several files define an identifier, the first of them.
    """
    networks = {}
    for name in sorted(channels):
        stated = rates.get(name, Rates(ASSUMED_RATE, ASSUMED_DATA_RATE))
        networks[name] = Network(
            name, stated.nominal, stated.data, load_limit=1.0, channels=(name,)
        )
    assumed = [name for name in networks if name not in rates]
    findings = (
        [
            Finding(
                "bit-rate-assumed",
                Weight.NOTE,
                Where(),
                f"nobody states the bit rate of {', '.join(assumed)}: loads assume 500 kbit/s, "
                "data phases 2 Mbit/s",
                why="At half the bit rate the load is twice as high.",
                action=f"Give a plan, or --bit-rate {assumed[0]}=RATE.",
                figures=(Figure("assumed", ASSUMED_RATE / 1e3, "kbit/s"),),
            )
        ]
        if assumed
        else []
    )
    streams = tuple(_streams(networks, definitions, heard))
    return Vehicle("no plan", "", networks, {}, {}, streams), tuple(findings)


def _streams(
    networks: Iterable[str],
    definitions: Sequence[Definitions],
    heard: Collection[FrameKey] | None,
) -> Iterator[Stream]:
    names = tuple(networks)
    seen = {
        (file.file, name): sum(
            FrameKey(name, m.extended, m.identifier) in heard for m in file.messages
        )
        for file in definitions
        for name in names
        if heard is not None
    }
    for network in names:
        taken: set[FrameKey] = set()
        named: set[tuple[str, str]] = set()
        for file in definitions:
            here = seen.get((file.file, network), 1)
            if here < max((seen.get((file.file, name), 1) for name in names), default=1):
                continue  # more of it came on another network, so it is of that one
            for message in file.messages:
                key = FrameKey(network, message.extended, message.identifier)
                node = message.senders[0] if message.senders else PurePath(file.file).stem
                if key in taken or (node, message.name) in named:
                    continue
                if heard is None or key in heard:
                    taken.add(key)
                    named.add((node, message.name))
                    yield Stream(network, node, message, message.cycle, None, event=message.event)
