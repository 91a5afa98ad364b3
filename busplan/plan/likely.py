"""What was probably meant by a value of the wrong kind: units, quotes, brackets."""

from __future__ import annotations

import math
import re
from typing import Any

from busplan.plan.problems import near_miss

_RATE = re.compile(r"([\d_.]+)\s*([kM])\s*(?:bit/s|bits/s|bps|bit|b|baud|Bd)?", re.IGNORECASE)
_KILO = range(5, 1001)
_MEGA = (1, 2, 4, 5, 8)
_YES, _NO = frozenset({"true", "yes", "on"}), frozenset({"false", "no", "off"})
_SHORT = 40
"""A longer text is not told twice."""
_WORD = re.compile(r'"([^"]+)"')


def likely(allowed: str, value: Any, *, alone: bool = True) -> str:
    """``; …`` with what to write where ``allowed`` and ``value`` leave one answer, else nothing.

    ``alone``: the value stands for all of the key, not within its list.
    """
    wants_list = alone and allowed.startswith("a list of")
    if "bit/s" in allowed and (rate := _rate(value)) and rate <= _most(allowed):
        return f"; write [{rate:_}]" if wants_list else f"; write {rate:_}"
    if isinstance(value, str):
        return _for_text(allowed, value, wants_list)
    numbers = isinstance(value, int | float) and not isinstance(value, bool)
    if wants_list and numbers and "number" in allowed:
        return f"; one alone is written [{value}]"
    return ""


def _for_text(allowed: str, value: str, wants_list: bool) -> str:
    if wants_list:
        fits = "number" not in allowed and 0 < len(value) <= _SHORT
        return f'; one alone is written ["{value}"]' if fits else ""
    if allowed.startswith("true"):
        word = value.strip().lower()
        said = "true" if word in _YES else "false" if word in _NO else ""
        return f"; write {said}, without quotes" if said else ""
    if _is_number(value):
        return "" if "text" in allowed or "list" in allowed else "; write it without quotes"
    return near_miss(value, _WORD.findall(allowed))


def _most(allowed: str) -> int:
    """The highest bit rate that ``allowed`` names."""
    found = re.search(r"bit/s from \d+ to (\d+)", allowed)
    return int(found[1]) if found else 0


def _rate(value: Any) -> int:
    """A bit rate written in kbit/s or Mbit/s, in bit/s; 0 where it is none."""
    if isinstance(value, str) and (found := _RATE.fullmatch(value.strip())):
        try:
            number = float(found[1]) * (1e3 if found[2].lower() == "k" else 1e6)
        except ValueError:
            return 0
    elif isinstance(value, int | float) and not isinstance(value, bool):
        number = value * 1e6 if value in _MEGA else value * 1e3 if value in _KILO else 0
    else:
        return 0
    return round(number) if 5_000 <= number <= 8_000_000 else 0


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(int(text, 0) if text[:2].lower() == "0x" else float(text))
    except (ValueError, OverflowError):
        return False
