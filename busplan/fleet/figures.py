"""The figures of a cell or a module that a fleet can be asked for over the years."""

from __future__ import annotations

from dataclasses import dataclass

from busplan.errors import UsageError
from busplan.pack.drift import Topic
from busplan.plan.problems import suggestion


@dataclass(frozen=True)
class Figure:
    """A figure: its column, those of its interval (95 %), how it is shown, and as what it drifts.

    Shown is ``value * scale`` in ``unit``.
    """

    title: str
    column: str
    unit: str = ""
    scale: float = 1.0
    low: str = ""
    high: str = ""
    topic: Topic | None = None


CELL = {
    "resistance": Figure(
        "resistance over the middle cell's",
        "against_peers",
        "%",
        100.0,
        "against_peers_low",
        "against_peers_high",
        Topic.RESISTANCE,
    ),
    "resistance-10s": Figure(
        "resistance over the middle cell's, 10 s after a step",
        "against_peers_10s",
        "%",
        100.0,
        "against_peers_10s_low",
        "against_peers_10s_high",
        Topic.RESISTANCE_LATE,
    ),
    "milliohm": Figure(
        "resistance", "resistance_mohm", "mΩ", 1.0, "resistance_low_mohm", "resistance_high_mohm"
    ),
    "voltage": Figure("voltage over the middle cell's", "deviation_mv", "mV"),
    "sag": Figure("extra sag", "extra_sag_mv", "mV"),
    "capacity": Figure(
        "capacity over the middle cell's",
        "capacity",
        "",
        1.0,
        "capacity_low",
        "capacity_high",
        Topic.CAPACITY,
    ),
    "ahead": Figure("charge ahead", "ahead_ah", "Ah", 1.0, "ahead_low_ah", "ahead_high_ah"),
    "rest": Figure(
        "slope at rest",
        "slope_mv_h",
        "mV/h",
        1.0,
        "slope_low_mv_h",
        "slope_high_mv_h",
        Topic.SELF_DISCHARGE,
    ),
    "temperature": Figure("temperature of its module", "temperature_c", "°C"),
}
MODULE = {
    "exchange": Figure(
        "exchange over its peers'",
        "exchange",
        "",
        1.0,
        "exchange_low",
        "exchange_high",
        Topic.EXCHANGE,
    ),
    "lag": Figure("lag", "lag_s", "s", 1.0, "lag_low_s", "lag_high_s"),
    "temperature": Figure("temperature over its peers'", "deviation_k", "K"),
    "end": Figure("temperature at the end", "end_c", "°C"),
}


def figure_named(word: str, *, modules: bool) -> Figure:
    """The figure of that name, the first when ``""``; :class:`UsageError` otherwise."""
    known = MODULE if modules else CELL
    if not word:
        return next(iter(known.values()))
    if word not in known:
        near = suggestion(word, list(known), "figure")
        raise UsageError(f'--figure is one of {", ".join(known)}; got "{word}"{near}')
    return known[word]
