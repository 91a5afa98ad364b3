"""Identifiers in a capture that nobody defines, and those that several nodes claim."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busplan.findings import Figure, Finding, Weight, Where
from busplan.replay.lines import Line, Lines
from busplan.wording import counted

MOST_NAMED = 20
"""So many identifiers of a network that nobody defines are told one by one, the most frequent."""
_WHY = "Nobody planned for its load, and its values cannot be read."
_ACTION = "Find its sender and definition, or unplug nodes one by one until it stops."


def strangers(lines: Lines) -> Iterator[Finding]:
    """A finding for each, and one for those of a network that are too many to be told alone."""
    unplanned: dict[str, list[tuple[Line, int, int]]] = {}
    for line in lines.lines:
        if line.k < 0 and line.key in lines.gone and not (line.streams or line.parts):
            yield _gone(line)
        if line.k < 0 or (line.parts and not line.streams):
            continue
        here = lines.index.slice_of(line.k)
        count, first = here.stop - here.start, lines.index.time_at(here.start)
        if not line.streams:
            unplanned.setdefault(line.key.network, []).append((line, count, first))
        elif len(line.streams) > 1:
            yield _shared(line, count, first)
    for network, found in unplanned.items():
        # One more than are named is named, too: "1 more" would take as much room.
        named = len(found) if len(found) <= MOST_NAMED + 1 else MOST_NAMED
        found.sort(key=lambda one: -one[1])
        for line, count, first in found[:named]:
            yield _unplanned(line, count, first)
        if len(found) > named:
            yield _more(network, found[named:])


def _unplanned(line: Line, count: int, first_ns: int) -> Finding:
    return Finding(
        "identifier-unplanned",
        Weight.CAUTION,
        Where(line.key.network, time_ns=first_ns),
        f"{line.label} on {line.key.network} came {counted(count, 'time')} and is in no definition",
        why=_WHY,
        action=_ACTION,
        figures=(Figure("times", count),),
    )


def _more(network: str, rest: Sequence[tuple[Line, int, int]]) -> Finding:
    frames = sum(count for _, count, _ in rest)
    return Finding(
        "identifier-unplanned",
        Weight.CAUTION,
        Where(network, time_ns=min(first for _, _, first in rest)),
        f"{counted(len(rest), 'more identifier')} on {network} came "
        f"{counted(frames, 'time')} in all and are in no definition",
        why="Nobody planned for their load, and their values cannot be read.",
        action="A definition file is missing, or something sends at random: see them all on the "
        "Messages screen, or by busplan survey.",
        figures=(Figure("times", frames), Figure("identifiers", len(rest))),
    )


def _shared(line: Line, count: int, first_ns: int) -> Finding:
    return Finding(
        "identifier-shared",
        Weight.FAULT,
        Where(line.key.network, line.senders, line.name, time_ns=first_ns),
        f"{line.label} on {line.key.network} belongs to {len(line.streams)} nodes "
        f"({', '.join(s.node for s in line.streams)}): what came under it, "
        f"{counted(count, 'time')}, cannot be told apart",
        why="Values of both mix, and two frames at once destroy each other.",
        action="Give one of the nodes other identifiers or move it to another network.",
        figures=(Figure("times", count),),
    )


def _gone(line: Line) -> Finding:
    """An identifier nobody defines that came before what is held."""
    return Finding(
        "identifier-unplanned",
        Weight.CAUTION,
        Where(line.key.network, time_ns=0),
        f"{line.label} on {line.key.network} came before what is held and is in no definition",
        why=_WHY,
        action=_ACTION,
    )
