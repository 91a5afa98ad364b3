"""What became of transport sessions, in counts and as findings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.transport import endings
from busplan.transport.sessions import Protocol, Reassembly, Sessions
from busplan.wording import counted, plural


@dataclass(frozen=True, slots=True)
class Ending:
    """An ending for people: a short name, what happened, how heavy, what to do."""

    name: str
    words: str = ""
    weight: Weight = Weight.CAUTION
    action: str = ""


_LOSS = "See whether the recorder dropped frames there, or the network was too busy."
_PARTS = "Ask the maker how the part splits its messages."

ENDINGS: dict[int, Ending] = {
    endings.COMPLETE: Ending("complete", "complete", Weight.NOTE),
    endings.MISSING: Ending("missing", "lack a packet", action=_LOSS),
    endings.PAUSED: Ending("paused", "stopped and were not taken up again in time", action=_LOSS),
    endings.REPLACED: Ending(
        "replaced", "were left for another message before their end", action=_LOSS
    ),
    endings.ABORTED: Ending(
        "aborted", "were aborted", action="See what the two nodes were doing at that time."
    ),
    endings.MALFORMED: Ending(
        "malformed", "contradict themselves in the first frame", action=_PARTS
    ),
    endings.UNANNOUNCED: Ending("unannounced", "lack their announcement", action=_LOSS),
    endings.BEFORE: Ending("before", "began before the capture", Weight.NOTE),
    endings.CUT_OFF: Ending("cut off", "go on after the capture ends", Weight.NOTE),
    endings.BEYOND: Ending("beyond", "have packet numbers beyond those announced", action=_PARTS),
    endings.SHORT: Ending("short", "have a frame with too few bytes", action=_PARTS),
    endings.CHANGED: Ending(
        "changed", "have a packet that came again with other contents", action=_LOSS
    ),
    endings.REFUSED: Ending(
        "refused",
        "were refused because the receiver has no room",
        action="Ask for less at a time, or see why the receiver's buffer is small.",
    ),
}


@dataclass(frozen=True, slots=True)
class Tally:
    """Sessions between two nodes, of one parameter group, by ending.

    ``first_ns`` is when the first of each ending began.
    """

    network: str
    label: str
    protocol: Protocol
    counts: dict[str, int]
    first_ns: dict[str, int]
    frames: int
    repeats: int
    unanswered: int
    repeated_ns: int
    """When the first session with repeats began; 0 without any. Likewise for unanswered ones."""
    unanswered_ns: int

    @property
    def sessions(self) -> int:
        """All of them."""
        return sum(self.counts.values())

    @property
    def complete(self) -> int:
        """Those whose message is there."""
        return self.counts.get("complete", 0)

    def as_dict(self, origin_ns: int) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "network": self.network,
            "what": self.label,
            "kind": self.protocol.words,
            "sessions": self.sessions,
            "endings": self.counts,
            "first_s": {n: (t - origin_ns) / 1e9 for n, t in self.first_ns.items()},
            "frames": self.frames,
            "repeats": self.repeats,
            "unanswered": self.unanswered,
        }


def tallies(sessions: Sessions) -> Iterator[Tally]:
    """Counts for each pair of nodes and parameter group, in the order of the parties."""
    code = sessions.party << 20 | (sessions.group + 1)
    order = np.argsort(code, kind="stable")
    edges = np.flatnonzero(np.diff(code[order])) + 1
    for mine in np.split(order, edges) if len(order) else ():
        party = sessions.parties[sessions.party[mine[0]]]
        group = int(sessions.group[mine[0]])
        kinds, first, counts = np.unique(
            sessions.ending[mine], return_index=True, return_counts=True
        )
        names = [ENDINGS[kind].name for kind in kinds.tolist()]
        yield Tally(
            network=party.network,
            label=party.label if group < 0 else f"group 0x{group:04X}, {party.label}",
            protocol=Protocol(int(sessions.protocol[mine[0]])),
            counts=dict(zip(names, counts.tolist(), strict=True)),
            first_ns=dict(zip(names, sessions.begun_ns[mine[first]].tolist(), strict=True)),
            frames=int(sessions.frames[mine].sum()),
            repeats=int(sessions.repeats[mine].sum()),
            unanswered=int(sessions.unanswered[mine].sum()),
            repeated_ns=_first(sessions, mine[sessions.repeats[mine] > 0]),
            unanswered_ns=_first(sessions, mine[sessions.unanswered[mine]]),
        )


def _first(sessions: Sessions, which: I64) -> int:
    return int(sessions.begun_ns[which].min()) if len(which) else 0


def transport_findings(parts: Iterable[Reassembly], origin_ns: int) -> Iterator[Finding]:
    """Broken sessions by pair and kind, each with the place of the first; other oddities."""
    named = {ending.name: ending for ending in ENDINGS.values()}
    for part in parts:
        for tally in tallies(part.sessions):
            for name, count in tally.counts.items():
                if name != "complete":
                    yield _broken(tally, named[name], count, origin_ns)
            if tally.repeats:
                yield _repeated(tally, origin_ns)
            if tally.unanswered:
                yield _unanswered(tally, origin_ns)
        for network, times in part.stray_ns.items():
            if len(times):
                yield _stray(network, len(times), int(times[0]) - origin_ns)


def _broken(tally: Tally, ending: Ending, count: int, origin_ns: int) -> Finding:
    return Finding(
        "transport-broken" if ending.weight > Weight.NOTE else "transport-partly-recorded",
        ending.weight,
        Where(tally.network, time_ns=tally.first_ns[ending.name] - origin_ns),
        f"{count} of {tally.sessions} {tally.protocol.words}s ({tally.label}) on {tally.network} "
        f"{ending.words}.",
        why="Their messages are not decoded.",
        action=ending.action,
        figures=(
            Figure("broken", count),
            Figure("sessions", tally.sessions),
            Figure("complete", tally.complete),
        ),
    )


def _repeated(tally: Tally, origin_ns: int) -> Finding:
    return Finding(
        "transport-repeated",
        Weight.NOTE,
        Where(tally.network, time_ns=tally.repeated_ns - origin_ns),
        f"{counted(tally.repeats, 'frame')} of {tally.sessions} {tally.protocol.words}s "
        f"({tally.label}) on "
        f"{tally.network} came again.",
        why="A receiver that lost packets asked for them, or the adapter records its own frames.",
        figures=(Figure("repeats", tally.repeats), Figure("sessions", tally.sessions)),
    )


def _unanswered(tally: Tally, origin_ns: int) -> Finding:
    return Finding(
        "transport-unanswered",
        Weight.NOTE,
        Where(tally.network, time_ns=tally.unanswered_ns - origin_ns),
        f"{tally.unanswered} of {tally.sessions} {tally.protocol.words}s ({tally.label}) on "
        f"{tally.network} {plural(tally.unanswered, 'was', 'were')} never acknowledged.",
        why="All packets were recorded and the messages are decoded, but the receiver may not "
        "have them.",
        figures=(Figure("unanswered", tally.unanswered), Figure("sessions", tally.sessions)),
    )


def _stray(network: str, count: int, first_ns: int) -> Finding:
    return Finding(
        "transport-stray",
        Weight.NOTE,
        Where(network, time_ns=first_ns),
        f"{counted(count, 'frame')} on {network} {plural(count, 'belongs', 'belong')} to no "
        "transport "
        "session that was seen, or to none there can be.",
        why="They carry no message; the session they speak of may lie before the capture.",
        figures=(Figure("frames", count),),
    )
