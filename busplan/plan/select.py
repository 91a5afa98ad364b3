"""Choosing signals and messages by name: the selectors of the command line and of plans.

A selector is any trailing part of a full name (``network/node/message/signal``). Inside a step
``*`` and ``?`` stand for any characters; a step that is only ``*`` stands for one step or more, so
``pack/*/CellVoltage*`` is every cell voltage on the network ``pack``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TypeVar

from busplan.errors import UsageError
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import SignalAddress, Stream, Vehicle

T = TypeVar("T")


def selector_pattern(selector: str) -> re.Pattern[str]:
    """The regular expression that a full name must match as a whole."""
    steps = []
    for step in selector.strip("/").split("/"):
        if step in ("*", "**"):
            steps.append(r"[^/]+(?:/[^/]+)*")
        else:
            steps.append(_step(step))
    return re.compile("(?:.*/)?" + "/".join(steps))


def _step(step: str) -> str:
    """One step of a selector; each part between asterisks is tried at its first place only."""
    first, *parts = (re.escape(part).replace(r"\?", "[^/]") for part in re.split(r"\*+", step))
    if not parts:
        return first
    middle = "".join(f"(?>[^/]*?{part})" for part in parts[:-1])
    return f"{first}{middle}[^/]*{parts[-1]}"


class StreamNames:
    """Which streams the name of a ``[message]`` table means: a selector, or network and message."""

    def __init__(self, streams: Sequence[Stream]) -> None:
        self._labels = [s.label for s in streams]
        self._by_name: dict[str, dict[int, None]] = {}
        for i, (stream, label) in enumerate(zip(streams, self._labels, strict=True)):
            steps = label.split("/")
            message = stream.message.name
            for name in (
                *("/".join(steps[first:]) for first in range(len(steps))),
                f"{stream.network}/{message}",
                f"{stream.network}/{stream.node}/{message}",
            ):
                self._by_name.setdefault(name, {})[i] = None

    def hits(self, name: str) -> list[int]:
        """Places of the streams that are meant, in order."""
        plain = self._by_name.get(name, {})
        bare = name.strip("/")
        if not set("*?") & set(name):
            return sorted({**plain, **self._by_name.get(bare, {})})
        pattern = selector_pattern(name)
        matched = (i for i, label in enumerate(self._labels) if pattern.fullmatch(label))
        return sorted({*plain, *matched})


def select_signals(vehicle: Vehicle, selectors: Iterable[str]) -> tuple[SignalAddress, ...]:
    """Full names of the signals any selector matches, in the order of the vehicle.

    ``UsageError`` names the selectors that match nothing, each with what is near.
    """
    addresses = [address for address, _, _ in vehicle.signals()]
    return _select(addresses, [str(a) for a in addresses], selectors, "signal")


def select_streams(vehicle: Vehicle, selectors: Iterable[str]) -> tuple[Stream, ...]:
    """The streams any selector of messages (``network/node/message``) matches.

    ``UsageError`` names the selectors that match nothing, each with what is near.
    """
    return _select(vehicle.streams, [s.label for s in vehicle.streams], selectors, "message")


def select_networks(vehicle: Vehicle, names: Iterable[str] | None) -> tuple[str, ...]:
    """The named networks in plan order, all of them when none is named.

    ``UsageError`` when the plan does not have one, with what is near.
    """
    wanted = tuple(names or ())
    for name in wanted:
        if name not in vehicle.networks:
            near = suggestion(name, vehicle.networks, "network")
            raise UsageError(f'the plan has no network "{name}"{near}')
    return tuple(n for n in vehicle.networks if not wanted or n in wanted)


def _select(
    things: Iterable[T], names: list[str], selectors: Iterable[str], what: str
) -> tuple[T, ...]:
    chosen: set[int] = set()
    missed = []
    for selector in selectors:
        pattern = selector_pattern(selector)
        hits = [i for i, name in enumerate(names) if pattern.fullmatch(name)]
        chosen.update(hits)
        if not hits:
            last = [name.rsplit("/", 1)[-1] for name in names]
            near = suggestion(selector.rsplit("/", 1)[-1], last, what)
            missed.append(f'no {what} matches "{selector}"{near}')
    if missed:
        raise UsageError(*missed)
    return tuple(thing for i, thing in enumerate(things) if i in chosen)
