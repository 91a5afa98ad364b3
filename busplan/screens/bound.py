"""What keys do at the moment: told by the help screen and offered by the command palette."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from typing import Any

from rich.markup import escape
from textual.app import SystemCommand
from textual.binding import Binding
from textual.dom import DOMNode
from textual.screen import Screen

from busplan.replay.replay import moment_of
from busplan.screens.steering import Steered
from busplan.text.runs import clock_text
from busplan.wording import disarmed

MOST_IN_PALETTE = 50
"""Findings that the command palette offers to go to."""


def bound(screen: Screen[Any]) -> dict[str, tuple[list[Binding], DOMNode]]:
    """The bindings of each name, and whose action it is."""
    found: dict[str, tuple[list[Binding], DOMNode]] = {}
    for active in screen.active_bindings.values():
        name = active.binding.id
        if name and name.partition(".")[0] != "app-internal":
            found.setdefault(name, ([], active.node))[0].append(active.binding)
    return found


def help_keys(app: Steered) -> list[tuple[str, str, str]]:
    """Keys, what they do, and the name to change them by; those of the open screen first."""
    seen = {
        name: (" ".join(map(app.get_key_display, bindings)), bindings[0].description, name)
        for name, (bindings, _) in bound(app.screen).items()
    }
    for n in range(1, 9):
        key, _, name = seen.pop(f"screen.{n}")
        if n <= len(app.views):
            seen[name] = (key, f"Open {app.views[n - 1].title}", name)
    if len(app.captures) == 1:
        seen.pop("app.other")
    everywhere = ("time", "span", "plot", "screen", "app")
    keys = sorted(seen.values(), key=lambda k: k[2].partition(".")[0] in everywhere)
    return [*keys, (app.COMMAND_PALETTE_BINDING, "Everything by its name", "")]


def commands(app: Steered, screen: Screen[object]) -> Iterable[SystemCommand]:
    """What the command palette offers: screens, all that a key does, findings."""
    for view in app.views:
        yield SystemCommand(f"Open {view.title}", view.__doc__ or "", partial(app.open, view))
    for name, (bindings, node) in bound(screen).items():
        first = bindings[0]
        if first.show and not name.startswith("screen."):
            keys = " ".join(map(app.get_key_display, bindings))
            do = partial(app.run_action, first.action, default_namespace=node)
            yield SystemCommand(first.description, f"key {keys}", do)
    for finding in app.replay.findings[:MOST_IN_PALETTE]:
        if (t_ns := moment_of(finding)) >= 0:
            title = f"Go to {finding.code} at {clock_text(t_ns)}"
            yield SystemCommand(
                title, escape(disarmed(finding.summary)), partial(app.go_within, t_ns)
            )
