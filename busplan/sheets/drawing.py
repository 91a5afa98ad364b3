"""The drawing of a vehicle's networks: trunks, nodes on stubs, gateways, terminators, loads.

The rules of this file: one page of A4, black on white, upright or across, whichever shows the text
larger. Each network is one trunk, folded where its nodes do not fit one line; a node on several
networks is a bar that crosses them, with a dot where it is joined. Nodes stand in the order of the
cable where the plan states one, but lengths are not to scale.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

from busplan.checks.planned_load import PlannedLoad, network_loads
from busplan.checks.wording import rates
from busplan.plan.cable import END, START, Cable
from busplan.plan.vehicle import Network, Node, Vehicle
from busplan.sheets import svg
from busplan.wire.cable_rules import CableState, cable_state
from busplan.wire.load_limit import over_limit
from busplan.wording import CAUTION, counted, percent

A4_MM = (210, 297)
_UNITS = 96 / 25.4
"""User units a millimetre: text sizes below are those of CSS at full size."""

_EDGE, _HEAD, _FOOT = 30.0, 46.0, 34.0
_SIGN = 152.0
"""Width of the column that names the networks."""
_BOX, _TALL, _GAP = 92.0, 32.0, 8.0
_STUB = 16.0
_TEXT, _SMALL = 10.5, 9.0
_BAR = 30.0
"""Width of the column of a gateway."""


@dataclass(frozen=True, slots=True)
class _Row:
    """One network: its single nodes, those on one line, and whether they stand on both sides."""

    network: Network
    state: CableState
    load: PlannedLoad
    nodes: tuple[Node, ...]
    gateways: tuple[Node, ...]
    slots: int
    both: bool
    lines: int

    @property
    def line_height(self) -> float:
        side = _STUB + _TALL
        return 12 + (2 * side if self.both else side) + 14

    @property
    def height(self) -> float:
        """All lines of the trunk; the sign needs its room too."""
        return max(self.lines * self.line_height, 76.0) + 8

    def trunk_y(self, top: float, index: int) -> float:
        """Where line ``index`` of the trunk runs."""
        return top + index * self.line_height + 12 + (_STUB + _TALL if self.both else 0)


@dataclass(frozen=True, slots=True)
class _Page:
    """A page in user units, what it holds, and the height that would need."""

    mm: tuple[int, int]
    scale: float
    rows: tuple[_Row, ...]
    gateways: tuple[Node, ...]
    header: float

    @property
    def width(self) -> float:
        return self.mm[0] * _UNITS * self.scale

    @property
    def height(self) -> float:
        return self.mm[1] * _UNITS * self.scale

    @property
    def needed(self) -> float:
        return _EDGE + _HEAD + self.header + sum(r.height for r in self.rows) + _FOOT + _EDGE

    @property
    def left(self) -> float:
        """Where the trunks begin."""
        return _EDGE + _SIGN

    @property
    def first_node(self) -> float:
        """Where the first node stands, right of the gateways."""
        return self.left + 34 + len(self.gateways) * _BAR


def drawing(vehicle: Vehicle) -> str:
    """One SVG picture of A4 size of all networks and nodes of a vehicle."""
    page = _fitting(vehicle)
    top = _EDGE + _HEAD + page.header
    tops = []
    for row in page.rows:
        tops.append(top)
        top += row.height
    placed = list(zip(page.rows, tops, strict=True))
    parts = [
        *_title(vehicle, page),
        *(piece for row, place in placed for piece in _trunk(page, row, place)),
        *(_gateway(page, index, tops) for index in range(len(page.gateways))),
        *(piece for row, place in placed for piece in _nodes(page, row, place)),
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{page.mm[0]}mm" height="{page.mm[1]}mm" '
        f'viewBox="0 0 {page.width:.1f} {page.height:.1f}" fill="black" stroke="black" '
        "font-family=\"'Liberation Sans', Arial, Helvetica, sans-serif\">"
        f"<title>{svg.safe(f'Networks of {vehicle.label}')}</title>"
        '<rect width="100%" height="100%" fill="white" stroke="none"/>'
        f"{''.join(parts)}</svg>\n"
    )


def _fitting(vehicle: Vehicle) -> _Page:
    """The page that shows the text largest: across or upright, no smaller than it must be."""
    shapes = [(A4_MM[1], A4_MM[0]), A4_MM]
    loads = network_loads(vehicle)
    for step in range(200):
        for mm in shapes:
            page = _page(vehicle, loads, mm, 1.0 + 0.05 * step)
            if page.needed <= page.height:
                return page
    return page


def _page(
    vehicle: Vehicle, loads: Mapping[str, PlannedLoad], mm: tuple[int, int], scale: float
) -> _Page:
    gateways = tuple(n for n in vehicle.nodes.values() if len(n.on) > 1)
    names = max((svg.text_width(n.name, _TEXT) for n in gateways), default=0.0)
    page = _Page(mm, scale, (), gateways, min(names, 120.0) + 14 if gateways else 0.0)
    room = page.width - _EDGE - 46 - page.first_node
    slots = max(1, int((room + _GAP) // (_BOX + _GAP)))
    rows = tuple(_row(vehicle, name, loads[name], slots) for name in vehicle.networks)
    return replace(page, rows=rows)


def _row(vehicle: Vehicle, name: str, load: PlannedLoad, slots: int) -> _Row:
    on = vehicle.nodes_on(name)
    single = [n for n in on if len(n.on) == 1]
    order = (vehicle.networks[name].cable or Cable()).order
    rank = {node: i for i, node in enumerate(order)}
    single.sort(key=lambda n: rank.get(n.name, len(rank)))
    both = len(single) > slots
    return _Row(
        network=vehicle.networks[name],
        state=cable_state(vehicle, name),
        load=load,
        nodes=tuple(single),
        gateways=tuple(n for n in on if len(n.on) > 1),
        slots=slots,
        both=both,
        lines=max(1, ceil(len(single) / (2 * slots if both else slots))),
    )


def _title(vehicle: Vehicle, page: _Page) -> list[str]:
    """The heading, the legend and the caution at the foot."""
    nodes, networks = len(vehicle.nodes), len(vehicle.networks)
    counts = f"{counted(networks, 'network')}, {counted(nodes, 'node')}"
    head = svg.shortened(f"{vehicle.label}: {counts}", page.width - 2 * _EDGE, 16)
    legend = (
        "Bar: node on several networks, joined where there is a dot. T: terminator. Length at a "
        "stub: from trunk to node. Not to scale; planned loads with most stuff bits."
    )
    foot = page.height - _EDGE
    return [
        svg.label(_EDGE, _EDGE + 14, head, 16, bold=True),
        svg.label(_EDGE, _EDGE + 30, legend, _SMALL),
        svg.line(_EDGE, foot - 16, page.width - _EDGE, foot - 16),
        svg.label(_EDGE, foot, CAUTION, _TEXT, bold=True),
    ]


def _trunk(page: _Page, row: _Row, top: float) -> list[str]:
    """The network's sign and its trunk with the terminators at its ends."""
    parts = _sign(row, top)
    left, right = page.left + 22, page.width - _EDGE - 22
    for index in range(row.lines):
        y = row.trunk_y(top, index)
        begin = left if index == 0 else page.first_node - 20
        parts.append(svg.line(begin, y, right, y, 3))
        if index:
            before, middle = (
                row.trunk_y(top, index - 1),
                y - (_STUB + _TALL if row.both else 0) - 10,
            )
            parts += [
                svg.line(right, before, right, middle, 3),
                svg.line(right, middle, begin, middle, 3),
                svg.line(begin, middle, begin, y, 3),
            ]
    ends = ((left, row.trunk_y(top, 0)), (right, row.trunk_y(top, row.lines - 1)))
    for text, (x, y) in zip(_terminators(row), ends, strict=True):
        if text:
            parts += [svg.bar(x - 4, y - 8, 8, 16)]
            parts += [svg.label(x, y - 11, text, _SMALL, anchor="middle")]
    return parts


def _sign(row: _Row, top: float) -> list[str]:
    """Name, bit rate, kind, load with its limit, and what is said of the cable."""
    network, load = row.network, row.load
    kind = "CAN FD" if network.fd else "J1939" if network.j1939 else "CAN"
    width = 100.0
    over = over_limit(load.worst, network.load_limit)
    told = f"load {percent(load.worst)} of {percent(network.load_limit)}"
    lines = [f"{rates(network)}, {kind}", told + (": OVER LIMIT" if over else "")]
    y = top + 54
    parts = [
        svg.label(_EDGE, top + 14, svg.shortened(network.name, _SIGN - 6, 13), 13, bold=True),
        *(
            svg.label(_EDGE, top + 27 + 12 * i, text, 9.5, bold=over and i == 1)
            for i, text in enumerate(lines)
        ),
        svg.box(_EDGE, y - 9, width, 6),
        svg.bar(_EDGE, y - 9, width * min(1.0, load.worst), 6),
        svg.line(
            _EDGE + width * network.load_limit, y - 12, _EDGE + width * network.load_limit, y, 1.5
        ),
    ]
    trunk = "not stated" if row.state.trunk_m is None else f"{row.state.trunk_m:g} m"
    parts.append(svg.label(_EDGE, y + 9, f"trunk {trunk}", _SMALL))
    if load.unstated:
        more = f"{counted(len(load.unstated), 'message')} without period not in it"
        parts.append(svg.label(_EDGE, y + 19, more, 7.5))
    return parts


def _terminators(row: _Row) -> tuple[str, str]:
    """What sits at the start and at the end of the trunk: terminators on the cable."""
    ohms = [t.ohm for t in row.state.terminators if t.node is None]
    cable = row.network.cable or Cable()
    if cable.terminators_at:
        pairs = list(zip(cable.terminators_at, ohms, strict=True))
        order = cable.order
        first = {START, order[0]} if order else {START}
        last = {END, order[-1]} if order else {END}
        return (
            " + ".join(f"T {ohm:g} Ω" for at, ohm in pairs if at in first),
            " + ".join(f"T {ohm:g} Ω" for at, ohm in pairs if at in last),
        )
    at_start = ohms[: ceil(len(ohms) / 2)]
    at_end = ohms[len(at_start) :]
    return (
        " + ".join(f"T {ohm:g} Ω" for ohm in at_start),
        " + ".join(f"T {ohm:g} Ω" for ohm in at_end),
    )


def _gateway(page: _Page, index: int, tops: Sequence[float]) -> str:
    """The bar of a node on several networks, with its name on top and a dot at each trunk."""
    node = page.gateways[index]
    x = page.left + 40 + index * _BAR
    trunks = {
        row.network.name: row.trunk_y(top, 0) for row, top in zip(page.rows, tops, strict=True)
    }
    own = [trunks[name] for name in node.on]
    begin = _EDGE + _HEAD
    name = svg.shortened(node.name, page.header - 8, _TEXT)
    parts = [
        svg.box(x, begin, 18, max(own) + 10 - begin, 1.5),
        svg.upright(x + 13, begin + 6 + svg.text_width(name, _TEXT), name, _TEXT),
    ]
    for network in node.on:
        y = trunks[network]
        parts += [svg.line(x, y, x + 18, y, 3), svg.dot(x + 9, y, 5)]
    for network, port in node.on.items():
        if port.terminator_ohm:
            parts.append(
                svg.label(x + 20, trunks[network] - 4, f"T {port.terminator_ohm:g} Ω", _SMALL)
            )
    return svg.group(f"{node.name}: {node.part.name}", parts)


def _nodes(page: _Page, row: _Row, top: float) -> list[str]:
    """The nodes of one network, each a box on its stub."""
    parts = []
    cable = row.network.cable or Cable()
    each = 2 * row.slots if row.both else row.slots
    for index, node in enumerate(row.nodes):
        line, place = divmod(index, each)
        y = row.trunk_y(top, line)
        slot = place // 2 if row.both else place
        above = row.both and place % 2 == 0
        x = page.first_node + slot * (_BOX + _GAP)
        edge = y - _STUB - _TALL if above else y + _STUB
        stub = cable.stubs_m.get(node.name)
        middle = x + _BOX / 2
        tip = y - _STUB if above else y + _STUB
        ohm = node.on[row.network.name].terminator_ohm
        inside = [
            svg.line(middle, y, middle, tip, 1.5),
            svg.dot(middle, y),
            svg.box(x, edge, _BOX, _TALL, 1.2),
            *_names(node, x, edge),
        ]
        if stub is not None:
            inside.append(svg.label(middle + 5, (y + tip) / 2 + 3.5, f"{stub:g} m", _SMALL))
        if ohm:
            inside.append(svg.label(x + 4, (y + tip) / 2 + 3.5, f"T {ohm:g} Ω", _SMALL, bold=True))
        for at, value in zip(cable.terminators_at, cable.terminators_ohm or (), strict=False):
            inner = at == node.name and at not in (cable.order[:1] + cable.order[-1:])
            if inner:
                inside.append(svg.label(x + 4, (y + tip) / 2 + 3.5, f"T {value:g} Ω", _SMALL))
        parts.append(svg.group(f"{node.name}: {node.part.name}", inside))
    return parts


def _names(node: Node, x: float, y: float) -> list[str]:
    """The node's name in its box, and its part where that is another name."""
    names = svg.in_lines(node.name, _BOX - 8, _TEXT, 2)
    part = [] if node.part.name == node.name or len(names) > 1 else [node.part.name]
    texts = [(t, _TEXT) for t in names]
    texts += [(svg.shortened(t, _BOX - 8, _SMALL), _SMALL) for t in part]
    first = y + _TALL / 2 + (4 if len(texts) == 1 else -2)
    return [
        svg.label(x + _BOX / 2, first + 12 * i, text, size, anchor="middle")
        for i, (text, size) in enumerate(texts)
    ]
