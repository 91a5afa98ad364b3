"""From files to something that can be replayed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from busplan.capture.capture import apply_plan
from busplan.capture.frames import I64, FrameTable
from busplan.capture.read import read_capture
from busplan.plan.load import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.replay.replay import Replay
from busplan.wire.lengths import durations_ns, nominal_table_bits


def open_replay(captures: Sequence[Path], plan: Path) -> Replay:
    """Read a capture and its plan.

    Raises :class:`busplan.errors.PlanError` and :class:`busplan.errors.CaptureError`.
    """
    vehicle = load_plan(plan)
    capture = apply_plan(read_capture([str(path) for path in captures]), vehicle)
    return Replay.of(
        vehicle,
        capture.frames,
        wire_times(capture.frames, vehicle),
        findings=capture.findings,
        source=", ".join(path.name for path in captures),
    )


def wire_times(table: FrameTable, vehicle: Vehicle) -> I64:
    """Time each frame took on the wire [ns]; zero on channels that belong to no network."""
    rates = np.array([_rates(name, vehicle) for name in table.networks], np.int64).reshape(-1, 2)
    arbitration, data = nominal_table_bits(table)
    times = durations_ns(arbitration, data, rates[table.network, 0], rates[table.network, 1])
    known = np.array([name in vehicle.networks for name in table.networks], np.bool_)
    return np.where(known[table.network], times, 0)


def _rates(name: str, vehicle: Vehicle) -> tuple[int, int]:
    network = vehicle.networks.get(name)
    if network is None:
        return 1, 1
    return network.bit_rate, network.data_bit_rate or network.bit_rate
