"""What a call was given, checked before anything is done with it: one clear error instead."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from os import PathLike
from typing import TYPE_CHECKING, Any

from busplan.errors import UsageError
from busplan.plan.vehicle import Vehicle

if TYPE_CHECKING:
    from busplan.traffic.measured_load import Rates


def a_vehicle(value: object, call: str) -> Vehicle:
    """The vehicle; ``UsageError`` when it is none."""
    if isinstance(value, Vehicle):
        return value
    raise UsageError(
        f"{call} wants a vehicle, as busplan.load_plan gives it, not {type(value).__name__}"
    )


def a_path(value: object, call: str) -> str | PathLike[str]:
    """The path; ``UsageError`` when it is none."""
    if isinstance(value, str | PathLike):
        return value
    raise UsageError(f"{call} wants the path of a file, not {type(value).__name__}")


def names(value: Iterable[str] | str | None, call: str) -> tuple[str, ...]:
    """Names given as one text or several."""
    if value is None:
        return ()
    if isinstance(value, str):
        return (value,)
    try:
        several: tuple[object, ...] = tuple(value)
    except TypeError:
        several = (value,)
    for one in several:
        if not isinstance(one, str):
            raise UsageError(f"{call} takes names, not {type(one).__name__}")
    return tuple(map(str, several))


def a_number(
    value: object, what: str, least: float, most: float, *, beyond_least: bool = False
) -> float:
    """The number; ``UsageError`` unless it lies between ``least`` and ``most``."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if least <= number <= most and not (beyond_least and number == least):
        return number
    lower = f"more than {least:g}" if beyond_least else f"{least:g}"
    raise UsageError(f"{what} takes {lower} to {most:g}, not {value!r}")


def nanoseconds(value: float | None, what: str, *, none_at_all: bool = False) -> int | None:
    """Seconds as nanoseconds, ``None`` as it is; 0 only where ``none_at_all`` means something."""
    if value is None:
        return None
    if none_at_all and value == 0:
        return 0
    return round(a_number(value, what, 1e-9, 1e9) * 1e9)


def rates(value: Mapping[str, int | tuple[int, int]] | None, call: str) -> dict[str, Rates]:
    """Bit rates [bit/s] by network: one number, or two where the data part has its own."""
    from busplan.traffic.measured_load import Rates

    found = {}
    for name, given in (value or {}).items():
        pair: tuple[Any, ...] = given if isinstance(given, tuple) else (given,)
        whole = all(isinstance(n, int) and not isinstance(n, bool) and n > 0 for n in pair)
        if not whole or not 1 <= len(pair) <= 2:
            raise UsageError(
                f"{call}: bit_rates wants bit/s, or a pair of them for CAN FD, not {given!r} "
                f"for {name}"
            )
        found[name] = Rates(*pair)
    return found
