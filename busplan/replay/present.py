"""A live bus as a replay: what has been received so far, with the present as its end."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from busplan.findings import Weight
from busplan.frames.table import FrameTable
from busplan.live.journal import journal_findings
from busplan.plan.vehicle import Vehicle
from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.transport.iso15765 import Segmented
from busplan.transport.report import transport_findings

if TYPE_CHECKING:
    from busplan.live.rolling import Recent


FADE_NS = 30 * 10**9
"""A silence that has been over for so long is a note: worth knowing, nothing to run for."""


def live_replay(
    vehicle: Vehicle,
    recent: Recent | None,
    entries: Sequence[Mapping[str, Any]],
    segmented: Collection[Segmented] = (),
) -> Replay:
    """What has been received so far, ready for the screens.

    ``segmented`` messages are put together beside those of the plan.

    ``entries`` are those of the recording's journal: gaps, drops and a full disk become findings.
    """
    if recent is None:
        empty = FrameTable.empty(tuple(vehicle.networks))
        silent = Replay.of(vehicle, empty, findings=vehicle.cautions, source="live")
        return silent.with_findings(journal_findings(entries, None))
    replay = Replay.of(
        vehicle,
        recent.table,
        findings=vehicle.cautions,
        source="live",
        until_ns=recent.until_ns,
        segmented=segmented,
    )
    origin_ns = recent.table.origin_ns
    # What is under way at either end of the last minutes comes and goes: its notes are left out.
    broken = transport_findings(replay.index.messages.parts, origin_ns)
    return replay.with_findings(
        [
            *watch(replay.lines, replay.span_ns, old_ns=replay.span_ns - FADE_NS),
            *(f for f in broken if f.weight > Weight.NOTE),
            *journal_findings(entries, origin_ns),
        ]
    )
