"""The wiring schedule: each network's cable as somebody cuts, crimps and measures it.

The rules of this file: lengths in metres, resistances in ohms. What the plan does not say is
``None``; what a published convention fills in carries the convention's name. A place along the
trunk is known when the plan states the lengths between nodes; both ends are known when it states
the order. The cable of an order nobody states is listed in the order of the plan and says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import accumulate

from busplan.checks.planned_load import PlannedLoad, network_loads
from busplan.plan.cable import END, START, Cable, Tap
from busplan.plan.vehicle import Network, Vehicle
from busplan.wire.cable_rules import CableState, cable_state
from busplan.wire.connectors import J1939_COLOURS, J1939_COLOURS_SOURCE, pins_of
from busplan.wire.meter import (
    RECESSIVE_V,
    WIRE_OHM_PER_M,
    Fitted,
    Range,
    busy_volts,
    pair_reading,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TapRow:
    """One node on the cable. ``at_m`` counts from the start of the trunk, ``from_previous_m`` from
    the node before; ``reading_ohm`` is across the pair at its plug, power off, everything fitted.
    ``pins_by`` names the plan or the convention."""

    number: int
    node: str
    part: str
    place: str | None
    joined: str
    from_previous_m: float | None
    at_m: float | None
    stub_m: float | None
    connector: str | None
    high_pin: str | None
    low_pin: str | None
    ground_pin: str | None
    shield_pin: str | None
    pins_by: str | None
    label: str | None
    terminator_ohm: float | None
    reading_ohm: Range | None


@dataclass(frozen=True, slots=True)
class TerminatorRow:
    """A terminator: where it sits, its value [Ω], whether the plan says where, and what the pair
    reads when it alone is missing (``None``: open)."""

    where: str
    ohm: float
    stated: bool
    without_ohm: float | None


@dataclass(frozen=True, slots=True)
class NetworkWiring:
    """One network's cable. ``wire_m`` is the pair cable to cut: trunk and all stubs [m].

    ``terminators_stated`` is false when the plan does not tell those on the cable.
    Readings count the wire where the trunk is stated, and leave it out where it is not.
    """

    network: Network
    terminators_stated: bool
    load: PlannedLoad
    taps: tuple[TapRow, ...]
    terminators: tuple[TerminatorRow, ...]
    order_stated: bool
    trunk_m: float | None
    stubs_m: float | None
    wire: str | None
    ohm_per_m: float
    ohm_per_m_stated: bool
    colours: tuple[str | None, str | None]
    colours_by: str | None
    shielded: bool | None
    shield_ground_at: str | None
    reading_ohm: Range | None

    @property
    def wire_m(self) -> float | None:
        """Trunk and stubs together [m]; ``None`` when any of it is not stated."""
        if self.trunk_m is None or self.stubs_m is None:
            return None
        return self.trunk_m + self.stubs_m

    @property
    def splices(self) -> int:
        """Nodes on stubs: places where the trunk is opened for a branch."""
        return sum(1 for t in self.taps if t.stub_m)

    @property
    def idle_v(self) -> Range:
        """Either wire to ground, awake and nobody sending [V]."""
        return Range(*RECESSIVE_V)

    @property
    def busy_v(self) -> tuple[Range, Range]:
        """Mean volts of CAN_H and CAN_L to ground at the planned load."""
        least, most = busy_volts(self.load.nominal), busy_volts(self.load.worst)
        return (
            Range(least[0].least, most[0].most),
            Range(most[1].least, least[1].most),
        )


def wiring(vehicle: Vehicle) -> tuple[NetworkWiring, ...]:
    """The wiring schedule of every network, in plan order."""
    loads = network_loads(vehicle)
    return tuple(_network(vehicle, name, loads[name]) for name in vehicle.networks)


def _network(vehicle: Vehicle, name: str, load: PlannedLoad) -> NetworkWiring:
    network = vehicle.networks[name]
    cable = network.cable or Cable()
    state = cable_state(vehicle, name)
    on = [n.name for n in vehicle.nodes_on(name)]
    order = [*cable.order, *(n for n in on if n not in cable.order)]
    places = _places(cable)
    fitted = _fitted(state, cable, places, order)
    ohm_per_m = WIRE_OHM_PER_M if cable.wire_ohm_per_m is None else cable.wire_ohm_per_m
    known = [f for _, f, _ in fitted if f is not None] if _all_known(fitted) else []
    ladder = _Ladder(
        known, [t.ohm for t in state.terminators], ohm_per_m, len(on), cable.trunk_m or 0.0
    )
    stubs = [cable.stubs_m.get(n) for n in order]
    built_in = {t.node: t.ohm for t in state.terminators if t.node}
    taps = tuple(
        _tap(vehicle, node, number, cable, places.get(node), built_in.get(node), ladder)
        for number, node in enumerate(order, 1)
    )
    colours, colours_by = _colours(network, cable)
    return NetworkWiring(
        network=network,
        terminators_stated=state.terminators_stated,
        load=load,
        taps=taps,
        terminators=_terminator_rows(state, fitted),
        order_stated=bool(cable.order),
        trunk_m=cable.trunk_m,
        stubs_m=None if None in stubs else sum(s for s in stubs if s is not None),
        wire=cable.wire,
        ohm_per_m=ohm_per_m,
        ohm_per_m_stated=cable.wire_ohm_per_m is not None,
        colours=colours,
        colours_by=colours_by,
        shielded=cable.shielded,
        shield_ground_at=cable.shield_ground_at,
        reading_ohm=ladder.reading(0.0),
    )


@dataclass(frozen=True, slots=True)
class _Ladder:
    """The terminators of a network as a meter sees them: ``known`` where all places are known.

    ``trunk_m`` is 0 where it is not stated: then the wire between counts nothing.
    """

    known: list[Fitted]
    ohms: list[float]
    ohm_per_m: float
    nodes: int
    trunk_m: float

    def reading(
        self, at_m: float | None, stub_m: float = 0.0, own_ohm: float | None = None
    ) -> Range | None:
        """At a place [m], at the end of a stub [m] with the node's own terminator [Ω] or none.

        Where the place is not known, the least and the most of all it can be.
        """
        if self.known and at_m is None:
            places = (self.trunk_m * step / _STEPS for step in range(_STEPS + 1))
            ranges = [r for at in places if (r := self.reading(at, stub_m)) is not None]
            return Range(min(r.least for r in ranges), max(r.most for r in ranges))
        if not self.known or at_m is None:
            return self._anywhere(stub_m, own_ohm)
        others = list(self.known)
        if own_ohm is not None:
            others.remove(Fitted(at_m, stub_m, own_ohm))
        return pair_reading(
            others,
            at_m,
            stub_m=stub_m,
            here_ohm=own_ohm,
            ohm_per_m=self.ohm_per_m,
            nodes=self.nodes,
        )

    def _anywhere(self, stub_m: float, own_ohm: float | None) -> Range | None:
        """Terminators at places nobody states: at the meter, or the whole trunk away from it."""
        near = pair_reading([Fitted(0.0, 0.0, o) for o in self.ohms], 0.0, nodes=self.nodes)
        far = list(self.ohms)
        if own_ohm is not None:
            far.remove(own_ohm)
        away = pair_reading(
            [Fitted(0.0, self.trunk_m, ohm) for ohm in far],
            0.0,
            stub_m=stub_m if self.trunk_m else 0.0,
            here_ohm=own_ohm,
            ohm_per_m=self.ohm_per_m,
        )
        return near if near is None or away is None else Range(near.least, away.most)


def _tap(
    vehicle: Vehicle,
    node: str,
    number: int,
    cable: Cable,
    at: float | None,
    terminator_ohm: float | None,
    ladder: _Ladder,
) -> TapRow:
    tap = cable.taps.get(node, Tap())
    pins = pins_of(tap.connector)
    stated = (tap.high_pin, tap.low_pin, tap.ground_pin, tap.shield_pin)
    by_rule = pins[:4] if pins else (None,) * 4
    used = [a if a is not None else b for a, b in zip(stated, by_rule, strict=True)]
    filled = pins is not None and list(stated) != used
    by = [*(["plan"] if any(stated) else []), *([pins.convention] if pins and filled else [])]
    stub = cable.stubs_m.get(node)
    before = number - 2
    return TapRow(
        number=number,
        node=node,
        part=vehicle.nodes[node].part.name,
        place=vehicle.nodes[node].place or None,
        joined=_joined(node, cable, stub),
        from_previous_m=(
            cable.segments_m[before]
            if 0 <= before < len(cable.segments_m) and at is not None
            else None
        ),
        at_m=at,
        stub_m=stub,
        connector=tap.connector,
        high_pin=used[0],
        low_pin=used[1],
        ground_pin=used[2],
        shield_pin=used[3],
        pins_by=" and ".join(by) or None,
        label=tap.label,
        terminator_ohm=terminator_ohm,
        reading_ohm=ladder.reading(at, stub or 0.0, terminator_ohm),
    )


def _joined(node: str, cable: Cable, stub_m: float | None) -> str:
    """How the node meets the trunk."""
    if stub_m is None:
        return "not stated"
    if stub_m > 0:
        return "splice and stub"
    if cable.order and node in (cable.order[0], cable.order[-1]):
        return "end of the trunk"
    return "trunk looped through"


def _places(cable: Cable) -> dict[str, float]:
    """Where along the trunk each node is known to sit [m]."""
    if cable.segments_m:
        return dict(zip(cable.order, accumulate((0.0, *cable.segments_m)), strict=True))
    if len(cable.order) > 1 and cable.trunk_m is not None:
        return {cable.order[0]: 0.0, cable.order[-1]: cable.trunk_m}
    return {}


_STEPS = 20
"""Places along the trunk that are tried where a node's is not stated; the middle is one of them."""
Placed = tuple[str, Fitted | None, bool]
"""A terminator: where in words, where in metres if known, and whether the plan says so."""


def _fitted(
    state: CableState, cable: Cable, places: Mapping[str, float], order: list[str]
) -> list[Placed]:
    """Every terminator with its place, in the order of the state."""
    on_cable = [t for t in state.terminators if t.node is None]
    built_in = [t.node for t in state.terminators if t.node]
    names = list(cable.terminators_at)
    stated = bool(names)
    if not stated and len(on_cable) == 2 and not built_in:
        names = [START, END]
    elif not stated and len(on_cable) == 1 and len(built_in) == 1 and cable.order:
        ends = {cable.order[0]: END, cable.order[-1]: START}
        names = [ends[built_in[0]]] if built_in[0] in ends else []
    names += ["not stated"] * (len(on_cable) - len(names))
    found: list[Placed] = []
    waiting = iter(names)
    for terminator in state.terminators:
        where = terminator.node or next(waiting)
        at = {START: 0.0, END: cable.trunk_m}.get(where, places.get(where))
        stub = cable.stubs_m.get(where, 0.0)
        told = f"built into {where}" if terminator.node else _told(where, order, cable)
        known = None if at is None else Fitted(at, stub, terminator.ohm)
        found.append((told, known, stated or terminator.node is not None))
    return found


def _told(where: str, order: list[str], cable: Cable) -> str:
    """The place of a terminator on the cable, in words."""
    ends = {START: 0, END: -1}
    if where in ends:
        near = f" (at {order[ends[where]]})" if cable.order and order else ""
        return f"{where} of the trunk{near}"
    return where if where == "not stated" else f"at {where}"


def _all_known(fitted: list[Placed]) -> bool:
    return bool(fitted) and all(f is not None for _, f, _ in fitted)


def _terminator_rows(state: CableState, fitted: list[Placed]) -> tuple[TerminatorRow, ...]:
    ohms = [t.ohm for t in state.terminators]
    rows = []
    for index, (where, _, stated) in enumerate(fitted):
        rest = [Fitted(0.0, 0.0, ohm) for i, ohm in enumerate(ohms) if i != index]
        without = pair_reading(rest, 0.0)
        rows.append(
            TerminatorRow(where, ohms[index], stated, None if without is None else without.most)
        )
    return tuple(rows)


def _colours(network: Network, cable: Cable) -> tuple[tuple[str | None, str | None], str | None]:
    """Colours of CAN_H and CAN_L, and who says so."""
    stated = (cable.high_colour, cable.low_colour)
    if any(stated) or not network.j1939:
        return stated, "plan" if any(stated) else None
    return J1939_COLOURS, J1939_COLOURS_SOURCE
