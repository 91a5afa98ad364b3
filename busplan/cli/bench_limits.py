"""Limits of a bench test as they are typed."""

from __future__ import annotations

from busplan.bench.node_report import BenchLimits, SupplySignal
from busplan.decode.protection import KINDS
from busplan.errors import UsageError


def typed_limits(
    tolerance: float,
    gap_cycles: float,
    jitter: float,
    power_on: float | None,
    start_within: float | None,
    checksum: list[str] | None,
) -> BenchLimits:
    """Limits as the options give them."""
    kinds = {k.name: k for k in KINDS}
    told = {}
    for text in checksum or []:
        message, equals, kind = text.partition("=")
        if not equals or kind not in kinds:
            raise UsageError(f"--checksum {text!r}: write MESSAGE=KIND; kinds: {', '.join(kinds)}")
        told[message] = kinds[kind]
    return BenchLimits(
        cycle_tolerance=tolerance,
        gap_cycles=gap_cycles,
        jitter_cycles=jitter,
        power_on_ns=None if power_on is None else round(power_on * 1e9),
        start_within_ns=None if start_within is None else round(start_within * 1e9),
        checksums=told,
    )


def typed_supply(text: str | None) -> SupplySignal | None:
    """MESSAGE.SIGNAL as its two names."""
    if text is None:
        return None
    message, dot, signal = text.partition(".")
    if not (message and dot and signal):
        raise UsageError(f"--supply-signal {text!r}: write MESSAGE.SIGNAL")
    return SupplySignal(message, signal)
