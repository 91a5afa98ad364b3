"""Which names of a value table say that there is no measurement.

A table may name ordinary values too ("0 V", "full"); those stay measurements. A named value is none
when its name says so, or when it lies outside the range that the definition states.
"""

from __future__ import annotations

import re

from busplan.decode.layout import value_dtype
from busplan.definitions.model import Signal, raw_range

_NONE = re.compile(
    r"""\b(
        not?\ ?(avail|available|valid|measured|known|used|present|connected|ready|supported|defined
            |plausible|installed|fitted|value|signal|data|measurement|sensor|implemented)
        |unavailable|un(known|defined|used|supported|plugged|initiali[sz]ed)|implausible
        |n\ ?a|s\ ?n\ ?a|n\ ?v|nan|none|missing|absent|disconnected|lost|timeout|time\ out
        |invalid|error|err|fault|faulty|fail|failed|failure|defect|defective|broken|malfunction
        |open\ (wire|circuit|load|line)|wire\ break|short(ed)?(\ circuit|\ to\ \w+)?
        |(over|under)\ ?(range|flow)|out\ of\ range|saturated
        |reserved|init|initiali[sz](ing|ation|e)|substitute|placeholder
        |nicht\ \w+|ung(ue|ü)ltig|fehler|defekt|ersatzwert|unterbrechung|kurzschluss
    )\d*\b""",
    re.VERBOSE,
)
_UNKNOWN = re.compile(
    r"\b(not?\ ?(avail|available|known|valid|defined)|un(available|known|defined)|invalid|n\ ?a"
    r"|s\ ?n\ ?a|nicht\ (verf(ue|ü)gbar|bekannt)|ung(ue|ü)ltig)\d*\b"
)
_WELL = re.compile(r"\b(no|without|kein)\ (errors?|faults?|failures?|fehler|short|defects?)\b")
_JOINT = re.compile(r"(?<=[a-zäöü])(?=[A-Z])|[\W_]+")


def no_measurement(signal: Signal) -> dict[float | int, str]:
    """The decoded numbers of a signal that are codes, and their names."""
    low, high = raw_range(signal)
    whole = not signal.is_float and value_dtype(signal).kind != "f"
    possible = range(0) if signal.is_float else range(low, high + 1)
    found: dict[float | int, str] = {}
    for raw, name in signal.choices.items():
        if not signal.is_float and raw not in possible:
            continue
        number: float | int
        if whole:
            number = raw * int(signal.scale) + int(signal.offset)
        else:
            number = float(raw) * float(signal.scale) + float(signal.offset)
        if says_none(name) or _outside(signal, number):
            found[number] = name
    return found


def says_none(name: str) -> bool:
    """Whether a name of a value table means that there is no measurement."""
    return bool(_NONE.search(_WELL.sub("", _words(name))))


def says_unknown(name: str) -> bool:
    """Whether the name of a state means that nobody knows it; an error or a fault is a state."""
    return bool(_UNKNOWN.search(_words(name)))


def _words(name: str) -> str:
    return " ".join(_JOINT.sub(" ", name).lower().split())


def _outside(signal: Signal, number: float | int) -> bool:
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or not low < high:
        return False
    return not low <= number <= high
