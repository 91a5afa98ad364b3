"""From a capture to something that can be replayed."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.capture.capture import Capture
from busplan.capture.trust import DAY_NS, refuse_longer
from busplan.plan.vehicle import Vehicle
from busplan.replay.bare import bare_vehicle
from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.traffic.measured_load import MOST_WINDOWS, WINDOW_NS, Rates, load_findings
from busplan.traffic.running import BIN_NS
from busplan.transport.iso15765 import Segmented
from busplan.transport.report import transport_findings
from busplan.wording import percent

if TYPE_CHECKING:
    from busplan.definitions.dbc import Definitions

LONGEST_DAYS = MOST_WINDOWS * BIN_NS // DAY_NS
"""Loads are counted in bins of 0.1 s over the whole span."""
Worked = Callable[[str], None]
"""Is told again and again what is being worked out; may raise to end it."""


def replay_without_plan(
    capture: Capture,
    rates: Mapping[str, Rates],
    segmented: Collection[Segmented] = (),
    definitions: Sequence[Definitions] = (),
) -> Replay:
    """A capture that nobody has a plan for: identifiers, bytes, cycles; loads once completed.

    ``definitions`` give names and values to the identifiers they define.

    ``rates`` are bit rates by channel; where one is missing a note says which was assumed.
    """
    frames = capture.frames
    vehicle, assumed = bare_vehicle(frames.networks, rates, definitions, frames.groups.keys())
    return first_replay(capture, vehicle, segmented).with_findings(assumed)


def first_replay(
    capture: Capture, vehicle: Vehicle, segmented: Collection[Segmented] = ()
) -> Replay:
    """A capture whose channels already have the plan's network names, ready for the screens.

    Quick, however long it is: loads are not counted, and its only findings are those of reading it.
    ``segmented`` messages are put together beside those of the plan. Raises
    :class:`busplan.errors.CaptureError` for a capture of too many days.
    """
    refuse_longer(capture.frames, LONGEST_DAYS, "the screens hold")
    return Replay.of(
        vehicle,
        capture.frames,
        findings=capture.findings,
        source=", ".join(Path(source.path).name for source in capture.sources),
        segmented=segmented,
        count=False,
    )


def completed(replay: Replay, told: Worked | None = None) -> Replay:
    """With what takes one look at every frame: its loads, and the findings of the whole capture.

    These are of the loads, of messages of several frames, and of watching every message.
    """
    table, counted = replay.table, 0

    def count(frames: int) -> None:
        nonlocal counted
        counted += frames
        if told is not None:
            told(f"counting loads {percent(counted / len(table), 0)}")

    replay = replay.with_traffic(count)
    if not replay.vehicle.source:
        # Nobody has a plan: nothing is late, unknown or over a limit.
        return replay
    if told is not None:
        told("looking for gaps")
    networks = replay.vehicle.networks
    seconds = [load.coarser(WINDOW_NS // BIN_NS) for load in replay.traffic.measured.values()]
    return replay.with_findings(
        [
            *watch(replay.lines, replay.span_ns),
            *transport_findings(replay.index.messages.parts, table.origin_ns),
            *(
                finding
                for load in seconds
                for finding in load_findings(
                    load, networks[load.network].load_limit, table.origin_ns
                )
            ),
        ]
    )


def replay_of(capture: Capture, vehicle: Vehicle, segmented: Collection[Segmented] = ()) -> Replay:
    """Both of it in one."""
    return completed(first_replay(capture, vehicle, segmented))
