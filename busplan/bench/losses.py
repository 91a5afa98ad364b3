"""Frames that the recording lost: nothing is judged over them, and nothing passes beside them.

The rules of this file: pure. What was lost may have been right or wrong, so a node is accused of no
gap and no skipped count over it, and is not proven.
"""

from __future__ import annotations

from collections.abc import Sequence

from busplan.bench.node_report import BenchLimits
from busplan.bench.rhythm import Pause
from busplan.findings import Figure, Finding, Weight, Where
from busplan.wording import listing, plain


def lost_pauses(limits: BenchLimits, origin_ns: int) -> tuple[Pause, ...]:
    """When frames were lost, put together where it overlaps."""
    made: list[Pause] = []
    for begin, end, _ in sorted(limits.lost):
        pause = Pause(origin_ns + begin, origin_ns + end)
        if made and pause.from_ns <= made[-1].to_ns:
            made[-1] = Pause(made[-1].from_ns, max(made[-1].to_ns, pause.to_ns))
        else:
            made.append(pause)
    return tuple(made)


def lost_findings(limits: BenchLimits, where: Where) -> Sequence[Finding]:
    """One caution for all that was lost."""
    if not limits.lost:
        return ()
    pauses = lost_pauses(limits, 0)
    seconds = sum(p.to_ns - p.from_ns for p in pauses) / 1e9
    return (
        Finding(
            "recording-not-whole",
            Weight.CAUTION,
            where,
            f"the recording is not whole: {listing(why for _, _, why in limits.lost)}; "
            f"{plain(seconds, 3)} s around it were not judged",
            why="What was lost may have been right or wrong.",
            action="Close other programs, look at the adapter and its cable, and test again.",
            figures=(Figure("times", len(pauses)), Figure("not judged", seconds, "s")),
        ),
    )
