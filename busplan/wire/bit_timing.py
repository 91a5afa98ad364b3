"""How a controller's clock makes the bit time, and whether the nodes of a network sample alike.

Register values come from python-can's ``BitTiming`` and ``BitTimingFd``. For a classical network
the ranges of the oldest controllers are tried first (prescaler 1–64, segments 1–16 and 1–8), then
the wider ones of CAN FD controllers.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any

from busplan.plan.vehicle import Node, Vehicle
from busplan.wire.cable_rules import default_sample_point

AGREE_WITHIN = 0.05
"""Sample points of one network that lie further apart than this disagree (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class BitRegisters:
    """Division of a bit: time quanta of ``prescaler`` clocks, the sample after 1 + ``before``.

    ``before`` (TSEG1) and ``after`` (TSEG2) are quanta around the sample point, ``jump`` (SJW) the
    most quanta a bit is stretched; ``bit_rate`` [bit/s] and ``sample_point`` are what comes out.
    """

    prescaler: int
    before: int
    after: int
    jump: int
    bit_rate: float
    sample_point: float


@dataclass(frozen=True, slots=True)
class NodeTiming:
    """Where a node samples a bit on one network.

    ``wanted`` and ``wanted_data`` are the sample points aimed at. Registers are ``None`` when the
    clock is not known, or cannot make the bit rate (``impossible``).
    """

    node: str
    clock_hz: int | None
    wanted: float
    wanted_data: float | None
    registers: BitRegisters | None
    data_registers: BitRegisters | None
    impossible: bool

    def sample_point(self, *, data: bool = False) -> float | None:
        """Sample point reached, or stated by a part without a clock; ``None`` when not known."""
        registers = self.data_registers if data else self.registers
        if registers:
            return registers.sample_point
        return self.wanted if self.clock_hz is None and not data else None


def disagreement(timings: Sequence[NodeTiming], *, data: bool = False) -> float | None:
    """How far apart the known sample points of a network's nodes lie; ``None``: fewer than two."""
    known = [p for t in timings if (p := t.sample_point(data=data)) is not None]
    return max(known) - min(known) if len(known) > 1 else None


def node_timings(vehicle: Vehicle, network: str) -> tuple[NodeTiming, ...]:
    """The bit timing of every node of a network whose clock or sample point is stated."""
    return tuple(
        _node_timing(vehicle, node, network)
        for node in vehicle.nodes_on(network)
        if node.part.clock_hz is not None or node.part.sample_point is not None
    )


def _node_timing(vehicle: Vehicle, node: Node, name: str) -> NodeTiming:
    network = vehicle.networks[name]
    clock = node.part.clock_hz
    wanted = node.part.sample_point or network.sample_point
    wanted = wanted or default_sample_point(network.bit_rate)
    if clock is None:
        return NodeTiming(node.name, None, wanted, None, None, None, False)
    if network.data_bit_rate is None:
        nominal = classical_registers(clock, network.bit_rate, wanted)
        return NodeTiming(node.name, clock, wanted, None, nominal, None, nominal is None)
    wanted_data = network.data_sample_point or default_sample_point(network.data_bit_rate)
    both = fd_registers(clock, network.bit_rate, wanted, network.data_bit_rate, wanted_data)
    first, second = both or (None, None)
    return NodeTiming(node.name, clock, wanted, wanted_data, first, second, both is None)


def classical_registers(clock_hz: int, bit_rate: int, sample_point: float) -> BitRegisters | None:
    """Registers for a classical network, ``None`` when the clock [Hz] cannot make it."""
    try:
        found = _python_can().BitTiming.from_sample_point(clock_hz, bit_rate, 100 * sample_point)
    except ValueError:
        wide = fd_registers(clock_hz, bit_rate, sample_point, bit_rate, sample_point)
        return wide[0] if wide else None
    return BitRegisters(
        found.brp,
        found.tseg1,
        found.tseg2,
        found.sjw,
        clock_hz / found.brp / found.nbt,
        found.sample_point / 100,
    )


def fd_registers(
    clock_hz: int,
    bit_rate: int,
    sample_point: float,
    data_bit_rate: int,
    data_sample_point: float,
) -> tuple[BitRegisters, BitRegisters] | None:
    """Registers for both phases of CAN FD, ``None`` when the clock [Hz] cannot make them."""
    try:
        found = _python_can().BitTimingFd.from_sample_point(
            clock_hz, bit_rate, 100 * sample_point, data_bit_rate, 100 * data_sample_point
        )
    except ValueError:
        return None
    nominal = BitRegisters(
        found.nom_brp,
        found.nom_tseg1,
        found.nom_tseg2,
        found.nom_sjw,
        clock_hz / found.nom_brp / found.nbt,
        found.nom_sample_point / 100,
    )
    data = BitRegisters(
        found.data_brp,
        found.data_tseg1,
        found.data_tseg2,
        found.data_sjw,
        clock_hz / found.data_brp / found.dbt,
        found.data_sample_point / 100,
    )
    return nominal, data


@cache
def _python_can() -> Any:
    """python-can's module ``can.bit_timing`` alone, which needs nothing else of the package.

    Importing the whole package imports every log format installed: half a second and more, which
    checking a plan has no use for.
    """
    package = find_spec("can")
    if "can" not in sys.modules and package is not None and package.submodule_search_locations:
        file = Path(package.submodule_search_locations[0], "bit_timing.py")
        spec = spec_from_file_location("can_bit_timing", file)
        if file.is_file() and spec is not None and spec.loader is not None:
            module = module_from_spec(spec)
            spec.loader.exec_module(module)
            return module
    from can import bit_timing

    return bit_timing
