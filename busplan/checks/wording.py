"""Small pieces of sentences that several checks share."""

from __future__ import annotations

from busplan.plan.vehicle import Network


def rate(bit_rate: int) -> str:
    """A bit rate as people say it: ``500 kbit/s``, ``2 Mbit/s``."""
    if bit_rate >= 1_000_000:
        return f"{bit_rate / 1e6:g} Mbit/s"
    return f"{bit_rate / 1e3:g} kbit/s"


def rates(network: Network) -> str:
    """A network's bit rate, and that of the data phase if it has one: ``500/2000 kbit/s``."""
    return rate(network.bit_rate) if network.data_bit_rate is None else f"{kbits(network)} kbit/s"


def speeds(network: Network) -> str:
    """The same in words: ``500 kbit/s and 2 Mbit/s in the data phase``."""
    text = rate(network.bit_rate)
    if network.data_bit_rate is None:
        return text
    return f"{text} and {rate(network.data_bit_rate)} in the data phase"


def kbits(network: Network) -> str:
    """The same as plain numbers in kbit/s: ``500``, ``500/2000``."""
    both = (network.bit_rate, network.data_bit_rate)
    return "/".join(f"{r / 1e3:g}" for r in both if r is not None)


def span(ns: int) -> str:
    """A time span [ns] in milliseconds: ``36.08 ms``, ``12000 ms``."""
    ms = ns / 1e6
    return f"{ms:.0f} ms" if abs(ms) >= 1000 else f"{ms:.4g} ms"
