"""Numbers as options take them: nothing that is none, nothing beyond what can be reckoned with."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, get_type_hints

from busplan.errors import UsageError
from busplan.wording import clock_seconds

LARGEST = 1e9
"""Most that an option with a fraction takes: seconds up to it still fit whole nanoseconds."""


def bounded(command: Callable[..., Any]) -> Callable[..., Any]:
    """The command, refusing infinite numbers, those that are none, and those too large."""

    @wraps(command)
    def checked(*values: Any, **options: Any) -> Any:
        for name, value in options.items():
            if isinstance(value, float) and not abs(value) <= LARGEST:
                raise UsageError(f"{_written(command, name)} takes numbers to 1e9, not {value:g}")
        return command(*values, **options)

    return checked


def _written(command: Callable[..., Any], name: str) -> str:
    """An option as the user writes it."""
    for told in getattr(get_type_hints(command, include_extras=True)[name], "__metadata__", ()):
        # The first name given to an option stands where its default would.
        for written in (
            getattr(told, "default", None),
            *(getattr(told, "param_decls", None) or ()),
        ):
            if isinstance(written, str) and written.startswith("--"):
                return written
    return f"--{name.replace('_', '-')}"


def moment(text: str) -> float:
    """A moment as typed for an option [s]: ``90``, ``1:30``, ``0:01:30.5``, below zero too."""
    text = text.strip()
    seconds = clock_seconds(text.removeprefix("-"))
    if seconds is None:
        try:
            return float(text)  # 1e3, nan: what is out of bounds is told where bounds are
        except ValueError:
            raise UsageError(f"{text!r} is no moment: write 90, 1:30 or 0:01:30.5") from None
    return -seconds if text.startswith("-") else seconds


def span_ends(text: str) -> tuple[float, float]:
    """``--span A:B`` [s] or ``A..B`` with moments of any form; :class:`UsageError` otherwise."""
    parts = text.split("..") if ".." in text else text.split(":")
    try:
        begin, end = map(moment, parts)
    except (ValueError, UsageError):
        wants = "--span wants A:B in seconds, or A..B such as 1:30..2:00"
        raise UsageError(f"{wants}, not {text!r}") from None
    if not (abs(begin) <= LARGEST and abs(end) <= LARGEST):
        raise UsageError(f"--span wants A:B in seconds to 1e9, not {text!r}")
    return begin, end
