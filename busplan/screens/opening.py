"""From files to something that can be replayed."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from busplan.capture.capture import Capture, apply_plan
from busplan.capture.load import load_findings, measured_load, rates_of
from busplan.capture.read import read_capture
from busplan.plan.load import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.transport.iso15765 import Segmented
from busplan.transport.report import transport_findings


def open_replay(capture: Path, plan: Path) -> Replay:
    """Read a capture and its plan.

    Raises :class:`busplan.errors.PlanError` and :class:`busplan.errors.CaptureError`.
    """
    vehicle = load_plan(plan)
    return replay_of(apply_plan(read_capture(capture), vehicle), vehicle)


def replay_of(capture: Capture, vehicle: Vehicle, segmented: Collection[Segmented] = ()) -> Replay:
    """A capture whose channels already have the plan's network names, ready for the screens.

    Its findings are those of reading it, of its loads, of messages of several frames (``segmented``
    ones beside those of the plan), and of watching every message.
    """
    table = capture.frames
    replay = Replay.of(
        vehicle,
        table,
        findings=capture.findings,
        source=", ".join(Path(source.path).name for source in capture.sources),
        segmented=segmented,
    )
    loads = measured_load(table, rates_of(vehicle.networks))
    return replay.with_findings(
        [
            *watch(replay.lines, replay.span_ns),
            *transport_findings(replay.index.messages.parts, table.origin_ns),
            *(
                finding
                for load in loads.values()
                for finding in load_findings(
                    load, vehicle.networks[load.network].load_limit, table.origin_ns
                )
            ),
        ]
    )
