"""A proposed plan as TOML text, every guess beside its reason and every gap beside what to ask.

The rules of this file: names and texts of files are quoted, remarks stand on one line and are
disarmed; what is written is read back before anybody sees it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from busplan.definitions.model import Message
from busplan.frames.identifier import format_identifier
from busplan.plan.paper_text import key_text, paper_text, quoted
from busplan.plan.vehicle import Vehicle
from busplan.starting.heard import Key, Lane, Seen
from busplan.starting.outline import NetworkPlan, NodePlan, Outline, PartPlan
from busplan.starting.placing import Instance
from busplan.starting.routes import Way
from busplan.wording import CAUTION, counted, disarmed, plain

_SHOWN = 20
_TOLD_APART = 0.10
"""A measured period further than this from the stated one is remarked."""


def aside(text: str) -> str:
    """A comment of TOML on one line."""
    return f"# {disarmed(text)}"


def head_text(name: str, unused: Iterable[tuple[str, str]], gaps: Sequence[str]) -> str:
    """The top of a plan: what it is, what is open, what was left out."""
    lines = [
        "# A first plan, proposed by busplan from the files of a folder. Read every line.",
        '# "seen" has been measured in a capture, "guess" follows from names and messages, "gap"',
        "# is what to measure or ask.",
        aside(CAUTION),
    ]
    lines += [aside(f"gap: {gap}") for gap in gaps]
    lines += [aside(f"not used: {file}: {reason}") for file, reason in unused]
    return "\n".join([*lines, "", "[vehicle]", f"name = {quoted(name)}", ""])


def networks_text(networks: Iterable[NetworkPlan], vehicle: Vehicle | None = None) -> str:
    """``[network.NAME]`` tables; with the ``vehicle`` they lead to, what it leaves unexplained."""
    lines: list[str] = []
    for one in networks:
        lines += ["", f"[network.{key_text(one.name)}]   {aside(one.named_by)}"]
        lines.append(f"bit_rate = {one.bit_rate.value:_}   {aside(one.bit_rate.remark)}")
        if one.data_bit_rate is not None:
            told = aside(one.data_bit_rate.remark)
            lines.append(f"data_bit_rate = {one.data_bit_rate.value:_}   {told}")
        if one.j1939:
            lines.append("j1939 = true   # most of its messages are of J1939 files")
        elif _mostly_wide(one):
            lines.append("# gap: j1939 = true, if its 29-bit identifiers are those of J1939")
        if one.channels:
            shown = ", ".join(map(quoted, one.channels))
            lines.append(f"channels = [{shown}]   # as the captures call it")
        elif one.group.lane is not None:
            lines.append("# gap: captures use its channel name for another network too")
        if one.group.lane is not None and vehicle is not None:
            lines += _unexplained(one, vehicle)
        lines += [
            f"# gap: [network.{key_text(one.name)}.cable]: trunk_m, stubs_m, terminators_ohm",
        ]
    return "\n".join(lines) + "\n"


def _mostly_wide(one: NetworkPlan) -> bool:
    """Whether most identifiers sent there have 29 bits."""
    wide = [m.extended for o in one.group.offers for m in o.sent]
    return sum(wide) * 2 > len(wide)


def _unexplained(one: NetworkPlan, vehicle: Vehicle) -> Iterator[str]:
    """Identifiers of the captures that nobody of the plan sends, routes included."""
    assert one.group.lane is not None
    known = {(s.message.extended, s.message.identifier) for s in vehicle.on(one.name)}
    open_keys = sorted(set(one.group.lane.seen) - known)
    for key in open_keys[:_SHOWN]:
        seen = one.group.lane.seen[key]
        yield aside(
            f"gap: no file defines {_label(key)} ({counted(seen.length, 'byte')}"
            f"{_each(seen)}); whose is it?"
        )
    if len(open_keys) > _SHOWN:
        yield aside(f"gap: and {len(open_keys) - _SHOWN} more identifiers that no file defines")


def _label(key: Key) -> str:
    return format_identifier(key[1], key[0])


def _each(seen: Seen) -> str:
    return "" if seen.cycle_ns is None else f", each {milliseconds(seen.cycle_ns)} ms"


def milliseconds(ns: int) -> str:
    """A measured period as one would state it: to three figures."""
    return plain(ns / 1e6, 3)


def parts_text(parts: Iterable[PartPlan]) -> str:
    """``[part.NAME]`` tables; parts on paper with their messages."""
    lines: list[str] = []
    for part in parts:
        lines += ["", f"[part.{key_text(part.name)}]   {aside(f'guess: {part.ports[0].why}')}"]
        if part.ports[0].paper:
            lines += [*_identifiers(part), paper_text(part.name, part.ports[0].messages).rstrip()]
            continue
        lines += _identifiers(part)
        several = len(part.ports) > 1
        for port in part.ports:
            if several:
                lines.append(f"[part.{key_text(part.name)}.port.{key_text(port.port)}]")
            files = ", ".join(map(quoted, port.files))
            lines.append(f"definitions = {files if len(port.files) == 1 else f'[{files}]'}")
            lines.append(f"sender = {quoted(port.sender)}")
    return "\n".join(lines) + "\n"


def _identifiers(part: PartPlan) -> Iterator[str]:
    """Whether its identifiers can be set, as far as captures show."""
    offsets = sorted({n.offset for n in part.nodes})
    if any(n.source is not None for n in part.nodes):
        yield 'identifiers = "free"   # seen: its source address is not that of its file'
    elif offsets != [0]:
        listed = ", ".join(f"0x{o:X}" if o >= 0 else str(o) for o in sorted({0, *offsets}))
        yield f"identifiers = [{listed}]   # seen: these offsets; gap: which others does it allow?"
    elif len(part.nodes) > 1:
        yield 'identifiers = "fixed"   # gap: can its identifiers be set? several of it clash'
    else:
        yield '# gap: identifiers = "free" or offsets, where they can be set; bit_rates = [...]'


def nodes_text(parts: Iterable[PartPlan]) -> str:
    """``[node.NAME]`` tables."""
    lines: list[str] = []
    for part in parts:
        for node in part.nodes:
            why = "; ".join(f"{n}: {i.why}" for n, i in node.on.items())
            lines += ["", f"[node.{key_text(node.name)}]", f"part = {quoted(part.name)}"]
            lines.append(f"{_on(node, several=len(part.ports) > 1)}   {aside(_kind(node, why))}")
            if node.offset:
                offset = f"0x{node.offset:X}" if node.offset > 0 else str(node.offset)
                lines.append(f"identifier_offset = {offset}   # seen")
            if node.source is not None:
                lines.append(f"source_address = 0x{node.source:02X}   # seen")
    return "\n".join(lines) + "\n"


def _kind(node: NodePlan, why: str) -> str:
    return f"{'seen' if all(i.seen for i in node.on.values()) else 'guess'}: {why}"


def _on(node: NodePlan, *, several: bool) -> str:
    if not several:
        return "on = [" + ", ".join(map(quoted, node.on)) + "]"
    pairs = (f"{key_text(i.offer.port)} = {quoted(n)}" for n, i in node.on.items())
    return "on = { " + ", ".join(pairs) + " }"


def routes_text(ways: Iterable[Way]) -> str:
    """``[[route]]`` tables."""
    lines: list[str] = []
    for way in ways:
        lines += [
            "",
            f"[[route]]   {aside(f'guess: {way.why}; gap: delay_ms')}",
            f"{way.kind} = {quoted(way.what)}",
            f"from = {quoted(way.source)}",
            f"to = {quoted(way.target)}",
            f"through = {quoted(way.through)}",
        ]
    return "\n".join(lines) + "\n" if lines else ""


def periods_text(found: Outline) -> str:
    """``[message]`` tables of periods that only captures tell, and remarks where they differ."""
    lines: list[str] = []
    for network in found.networks:
        lane = network.group.lane
        if lane is None:
            continue
        for part in found.parts:
            for node in part.nodes:
                if network.name in node.on:
                    lines += _periods(network.name, node, node.on[network.name], lane)
    return "\n".join(lines) + "\n" if lines else ""


def _periods(network: str, node: NodePlan, instance: Instance, lane: Lane) -> Iterator[str]:
    names = [m.name for m in instance.offer.sent]
    for place, key in instance.seen:
        message, seen = instance.offer.sent[place], lane.seen[key]
        label = f"{network}/{node.name}/{message.name}"
        if message.cycle is None and names.count(message.name) == 1:
            yield from _measured(label, seen)
        elif message.cycle is not None and not message.event:
            yield from _differs(label, message, key, lane)


def _measured(label: str, seen: Seen) -> Iterator[str]:
    if seen.cycle_ns is None or not seen.shortest_ns:
        yield aside(f"gap: how often is {label} sent? It was seen {counted(seen.frames, 'time')}")
        return
    yield ""
    yield f"[message.{quoted(label)}]"
    if seen.steady:
        yield f"cycle_ms = {milliseconds(seen.cycle_ns)}   # seen: {seen.frames} frames"
    else:
        yield (
            f"min_distance_ms = {milliseconds(seen.shortest_ns)}   "
            f"# seen: the least distance of {seen.frames} frames; it may come faster"
        )


def _differs(label: str, message: Message, key: Key, lane: Lane) -> Iterator[str]:
    """A remark for each capture in which a message does not keep the period of its file."""
    assert message.cycle is not None
    for channel in lane.channels:
        seen = channel.seen.get(key)
        if seen is None or not seen.steady or seen.cycle_ns is None or seen.frames < 10:
            continue
        if not seen.comes_each(message.cycle.ns, _TOLD_APART):
            yield aside(
                f"seen: {label} comes each {milliseconds(seen.cycle_ns)} ms in {channel.capture}; "
                f"its file says {message.cycle.ms:g} ms. Which holds?"
            )
