"""What every key of a file of boards means; the rules of :mod:`busplan.plan.meanings` hold."""

from __future__ import annotations

from collections.abc import Mapping

MEANINGS: Mapping[str, Mapping[str, str]] = {
    "FileSpec": {
        "presets": "notes for the keys 1 to 9 after m",
        "blink": "whether an alarm that nobody has seen blinks",
    },
    "LimitSpec": {
        "signal": "what the limit is of; it is judged whatever is shown",
        "take": "one figure made of several signals",
        "fault_low": "below this it is a fault",
        "caution_low": "below this it is a caution",
        "caution_high": "above this it is a caution",
        "fault_high": "above this it is a fault",
        "back_by": "how far inside the limit it must come back before the alarm ends",
        "for_s": "how long it must be beyond before the alarm is raised; without it, "
        "a fault 0.3 s, a caution 2 s",
        "clear_s": "how long it must be back before the alarm ends; without it, 5 s",
        "when": "only while this holds",
        "settle_s": "not in the first seconds after that has come to hold",
    },
    "BoardSpec": {
        "name": "what the board is called",
        "window_s": "how much time its charts show",
        "tile": "what is on it",
    },
    "TileSpec": {
        "show": "the kind of tile",
        "signals": "what it shows",
        "take": "one figure made of several signals",
        "at": "where its upper left corner is, on a grid of 12 by 12",
        "size": "how large it is",
        "range": "the ends of its scale; without it, from the limits or what is there",
        "title": "in place of the signal's name",
        "decimals": "how many digits follow the point",
        "window_s": "how much time this chart shows",
        "bad": "states that are shown as a fault",
    },
}
"""Meaning of each key, by the name of its table."""
