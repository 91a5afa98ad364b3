"""Numbers as options take them: nothing that is none, nothing beyond what can be reckoned with."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, get_type_hints

from busplan.errors import UsageError

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


def span_ends(text: str) -> tuple[float, float]:
    """``--span A:B`` [s]; :class:`UsageError` when it is something else."""
    try:
        begin, end = (float(part) for part in text.split(":"))
    except ValueError:
        raise UsageError(f"--span wants A:B in seconds, not {text!r}") from None
    if not (abs(begin) <= LARGEST and abs(end) <= LARGEST):
        raise UsageError(f"--span wants A:B in seconds to 1e9, not {text!r}")
    return begin, end
