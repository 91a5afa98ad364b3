"""A live bus as a replay: what has been received so far, with the present as its end."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from busplan.findings import Finding, Weight
from busplan.frames.table import FrameTable
from busplan.live.journal import journal_findings
from busplan.plan.vehicle import Vehicle
from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.transport.iso15765 import Segmented
from busplan.transport.report import transport_findings

if TYPE_CHECKING:
    from busplan.live.rolling import Recent


LIVE = "live"
"""What a live bus is called where a capture's file is named."""
NOTHING_HEARD = "nothing-heard"
FADE_NS = 30 * 10**9
"""A silence that has been over for so long is a note: worth knowing, nothing to run for."""


class Unseen:
    """Findings of a live bus that its memory has forgotten before anybody looked at them.

    ``update`` takes what is found now, with the absolute time of the first frame held; ``seen``
    says that somebody has looked.
    """

    def __init__(self, most: int = 200) -> None:
        self._most = most
        self._found: dict[tuple[str, ...], tuple[int, Finding]] = {}

    def update(self, findings: Iterable[Finding], origin_ns: int) -> list[Finding]:
        """What was found before and has been forgotten since, as notes of the past."""
        now = {}
        for finding in findings:
            if finding.weight > Weight.NOTE and finding.where.time_ns is not None:
                now[_sense(finding)] = (finding.where.time_ns + origin_ns, finding)
        for key, one in now.items():
            if key in self._found or len(self._found) < self._most:
                self._found[key] = one
        return [
            replace(
                f,
                weight=Weight.NOTE,
                where=replace(f.where, time_ns=0),
                summary=f"before what is held: {f.summary}",
            )
            for key, (at_ns, f) in self._found.items()
            if key not in now and at_ns < origin_ns
        ]

    def seen(self, origin_ns: int) -> None:
        """Somebody has looked at all that was forgotten before ``origin_ns``."""
        self._found = {k: one for k, one in self._found.items() if one[0] >= origin_ns}


def _sense(finding: Finding) -> tuple[str, ...]:
    where = finding.where
    return finding.code, where.network or "", where.node or "", where.message or ""


def live_replay(
    vehicle: Vehicle,
    recent: Recent | None,
    entries: Sequence[Mapping[str, Any]],
    segmented: Collection[Segmented] = (),
    unseen: Unseen | None = None,
) -> Replay:
    """What has been received so far, ready for the screens.

    ``segmented`` messages are put together beside those of the plan. ``unseen`` keeps what was
    found and forgotten until somebody has looked at it.

    ``entries`` are those of the recording's journal: gaps, drops and a full disk become findings.
    """
    if recent is None:
        empty = FrameTable.empty(tuple(vehicle.networks))
        silent = Replay.of(vehicle, empty, findings=vehicle.cautions, source=LIVE)
        return silent.with_findings(journal_findings(entries, None))
    replay = Replay.of(
        vehicle,
        recent.table,
        findings=vehicle.cautions,
        source=LIVE,
        until_ns=recent.until_ns,
        segmented=segmented,
        gone=recent.gone,
    )
    origin_ns = recent.table.origin_ns
    # What is under way at either end of the last minutes comes and goes: its notes are left out.
    broken = transport_findings(replay.index.messages.parts, origin_ns)
    found = [
        *watch(replay.lines, replay.span_ns, old_ns=replay.span_ns - FADE_NS),
        *(f for f in broken if f.weight > Weight.NOTE),
    ]
    earlier = [] if unseen is None else unseen.update(found, origin_ns)
    heard = {key.network for key in (*recent.table.groups, *recent.gone)}
    told = (_since_heard(f, heard) for f in journal_findings(entries, origin_ns))
    return replay.with_findings([*found, *earlier, *told])


def _since_heard(finding: Finding, heard: Collection[str | None]) -> Finding:
    """Frames that were waited for in vain are a note of the past once some have come."""
    if finding.code != NOTHING_HEARD or finding.where.network not in heard:
        return finding
    told = f"{finding.summary} of listening; some have come since"
    return replace(finding, weight=Weight.NOTE, summary=told, action="")
