"""What a bench test has not shown: nothing passes for want of frames.

The minimum, ours (common practice, no source): a cyclic message needs :data:`LEAST_FRAMES` frames,
so that its median distance means something; a message sent on an event one; every signal of it a
frame that carries it, each page of a multiplexed message included. What the plan calls
``optional`` may stay away. With ``n`` frames and none of them wrong, a fault in more than
:func:`hidden_share` of all frames would have shown in 95 of 100 tests (the rule of three; Hanley
and Lippman-Hand, JAMA 1983, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busplan.bench.node_report import SignalProof
from busplan.bench.rhythm import LEAST_FRAMES, usual_ms
from busplan.definitions.model import Message, Stated
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Stream
from busplan.wording import counted, plain

MOST_NAMED = 6
"""So many signals that never came are named; the others are counted."""


def hidden_share(frames: int) -> float:
    """The share of wrong frames that so many good ones could still hide, 95 % sure; 1 for none."""
    return 1.0 if frames <= 0 else 1.0 - 0.05 ** (1.0 / frames)


def unproven(
    stream: Stream,
    signals: Sequence[SignalProof],
    where: Where,
    *,
    frames: int,
    longest: int,
    listened_ns: int,
    proposed: Stated | None = None,
) -> list[Finding]:
    """What is missing before a message that came in ``frames`` frames is proven.

    ``longest`` is the most bytes one of them carried: what lies beyond is missing for a fault that
    has a finding of its own. ``listened_ns`` is how long the test lasted, ``proposed`` the rhythm
    it keeps where nobody states one.
    """
    found = []
    if stream.cycle is None and not stream.event:
        found.append(_not_stated(stream, where, proposed))
    if not stream.event and frames < LEAST_FRAMES:
        found.append(_too_few(stream, frames, where, listened_ns))
    unseen = [
        s.name
        for s in signals
        if not s.frames
        and s.name not in stream.optional_signals
        and stream.message.signal(s.name).last_byte < longest
    ]
    if unseen:
        found.append(_unseen(stream.message, unseen, where))
    return found


def _not_stated(stream: Stream, where: Where, proposed: Stated | None) -> Finding:
    """That nobody states a rate; the measured one is what to ask the maker for, or to state."""
    table = f"[message.{key_text(stream.label)}]"
    words = f"nobody states how often {stream.message.name} comes, so its rate was not judged"
    action = f"State cycle_ms or min_distance_ms in the plan, under {table}."
    figures: tuple[Figure, ...] = ()
    if proposed is not None:
        words += f"; it came every {plain(proposed.ms)} ms"
        action = (
            f"If the maker confirms it, state cycle_ms = {usual_ms(proposed.ns):g} in the plan, "
            f"under {table}."
        )
        figures = (Figure("measured", proposed.ms, "ms"),)
    return Finding(
        "rate-not-stated",
        Weight.CAUTION,
        where,
        words,
        why="A node that sends too rarely, or far too often, would pass.",
        action=action,
        figures=figures,
    )


def _too_few(stream: Stream, frames: int, where: Where, listened_ns: int) -> Finding:
    more = LEAST_FRAMES - frames
    if stream.cycle is None:
        needed = f"{counted(more, 'frame')} more"
    else:
        longer = max(LEAST_FRAMES * stream.cycle.ns - listened_ns, more * stream.cycle.ns) / 1e9
        needed = f"{plain(longer, 3)} s more"
    return Finding(
        "frames-too-few",
        Weight.CAUTION,
        replace(where, time_ns=None),
        f"{stream.message.name} came {counted(frames, 'time')}: too few to prove its rate and "
        "content",
        why=f"It takes {LEAST_FRAMES} frames before a cycle time and its tolerance mean something.",
        action=f"Test for {needed}.",
        figures=(Figure("frames", frames), Figure("needed", LEAST_FRAMES)),
    )


def _unseen(message: Message, names: Sequence[str], where: Where) -> Finding:
    told = ", ".join(_with_page(message, name) for name in names[:MOST_NAMED])
    if len(names) > MOST_NAMED:
        told += f" and {len(names) - MOST_NAMED} more"
    return Finding(
        "signal-not-seen",
        Weight.CAUTION,
        replace(where, time_ns=None),
        f"{message.name} never carried {counted(len(names), 'signal')} of "
        f"{len(message.signals)}: {told}",
        why="Nothing can be said about what was in no frame.",
        action="Bring the node into the state in which it sends them, or name them as optional in "
        "the plan.",
        figures=(Figure("signals", len(names)), Figure("defined", len(message.signals))),
    )


def _with_page(message: Message, name: str) -> str:
    """A signal's name, and on which page of a multiplexed message it stands."""
    condition = message.signal(name).condition
    if condition is None:
        return name
    pages = ", ".join(
        f"{low}" if low == high else f"{low} to {high}" for low, high in condition.ranges
    )
    return f"{name} ({condition.selector} {pages})"
