"""From files to something that can be replayed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

from busplan.capture.capture import Capture, apply_plan
from busplan.capture.load import Rates, load_findings, measured_load, rates_of
from busplan.capture.read import read_capture
from busplan.plan.load import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.replay.bare import bare_vehicle
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


def replay_without_plan(
    capture: Capture, rates: Mapping[str, Rates], segmented: Collection[Segmented] = ()
) -> Replay:
    """A capture that nobody has a plan for: identifiers, bytes, cycles and loads.

    ``rates`` are bit rates by channel; where one is missing a note says which was assumed.
    """
    vehicle, assumed = bare_vehicle(capture.frames.networks, rates)
    return _replay(capture, vehicle, segmented).with_findings(assumed)


def replay_of(capture: Capture, vehicle: Vehicle, segmented: Collection[Segmented] = ()) -> Replay:
    """A capture whose channels already have the plan's network names, ready for the screens.

    Its findings are those of reading it, of its loads, of messages of several frames (``segmented``
    ones beside those of the plan), and of watching every message.
    """
    table, replay = capture.frames, _replay(capture, vehicle, segmented)
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


def _replay(capture: Capture, vehicle: Vehicle, segmented: Collection[Segmented] = ()) -> Replay:
    """With the findings of reading only."""
    return Replay.of(
        vehicle,
        capture.frames,
        findings=capture.findings,
        source=", ".join(Path(source.path).name for source in capture.sources),
        segmented=segmented,
    )
