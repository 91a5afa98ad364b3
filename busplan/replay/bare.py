"""A vehicle for a capture that has no plan: each channel a network, nothing known of its frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.vehicle import Network, Vehicle
from busplan.traffic.measured_load import Rates

ASSUMED_RATE, ASSUMED_DATA_RATE = 500_000, 2_000_000
"""Bit rates [bit/s] of loads while nobody states others: common practice, no source."""


def bare_vehicle(
    channels: Iterable[str], rates: Mapping[str, Rates]
) -> tuple[Vehicle, tuple[Finding, ...]]:
    """One network for each channel at its stated bit rate, and what had to be assumed."""
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
    return Vehicle("no plan", "", networks, {}, {}, ()), tuple(findings)
