"""What if: changes to a plan, applied to its parsed document so that everything follows anew.

The rules of this file: pure functions from a document to a changed copy; the file on disk is never
touched. What only made sense with a node where it was (its stub, its timing by network, routes
through it) moves or goes with it, and each such step is told.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from busplan.errors import UsageError
from busplan.plan.problems import suggestion
from busplan.plan.relocate import Change as Change
from busplan.plan.relocate import Document, Draft, leave_cable, move_ports, take_timing
from busplan.plan.vehicle import Vehicle

ENTRIES = {"route": ("name", "as", "signal", "message"), "pack.enclosure": ("name",)}
"""Lists of tables in a plan, and the keys of an entry that name it."""
NEW = "new"
"""In place of an entry's name or number: one more entry."""


def apply_changes(
    document: Document, before: Vehicle, changes: Sequence[Change]
) -> tuple[Document, tuple[str, ...]]:
    """A changed copy of a plan's document, and what followed from the changes.

    ``UsageError`` when a change names something that does not exist.
    """
    draft = Draft(copy.deepcopy(document), before)
    for change in changes:
        change(draft)
    for section, needed in _NEEDED.items():
        _no_stub_of_a_table(section, needed, document, draft.document)
    return draft.document, tuple(draft.told)


_NEEDED = {
    "network": (("bit_rate",),),
    "part": (("definitions", "message", "port"),),
    "node": (("part",), ("on",)),
}
"""What a new table has to state, one key of each group: else its name was meant for another."""


def _no_stub_of_a_table(
    section: str, needed: Sequence[Sequence[str]], old: Document, new: Document
) -> None:
    known = old.get(section, {})
    tables = new.get(section, {})
    for name, table in tables.items() if isinstance(tables, dict) else ():
        if name in known or not isinstance(table, dict):
            continue
        lacking = next((keys for keys in needed if not set(keys) & table.keys()), None)
        if lacking is not None:
            near = suggestion(name, known, section)
            raise UsageError(
                f'there is no {section} "{name}"{near}; a new one needs {" or ".join(lacking)}'
            )


def set_value(assignment: str) -> Change:
    """``KEY=VALUE`` as one line of TOML; a value that is no TOML is taken as text.

    An entry of a list of tables is named by what it carries or its name, by its number from 1, or
    ``new``: ``route.PackTemperatures.delay_ms=5``, ``route.2.to="cabin"``, ``route.new={…}``.
    """
    try:
        values = tomllib.loads(assignment)
    except tomllib.TOMLDecodeError as error:
        key, equals, value = assignment.partition("=")
        quoted = value.strip().replace("\\", "\\\\").replace('"', '\\"')
        try:
            values = tomllib.loads(f'{key}= "{quoted}"') if equals else {}
        except tomllib.TOMLDecodeError:
            values = {}
        if not values:
            raise UsageError(
                f'"{assignment}" is no KEY=VALUE such as network.drive.bit_rate=250000'
            ) from error
    return lambda draft: _merge(draft.document, values, "")


def set_bit_rate(assignment: str) -> Change:
    """``NETWORK=RATE`` or ``NETWORK=RATE/DATARATE`` [bit/s]."""
    name, value = _pair(assignment, "NETWORK=RATE or NETWORK=RATE/DATARATE")
    try:
        rates = [int(v) for v in value.split("/")]
    except ValueError:
        rates = []
    if not 1 <= len(rates) <= 2:
        raise UsageError(f'"{value}" is no bit rate in bit/s such as 250000 or 500000/2000000')

    def change(draft: Draft) -> None:
        _known(name, draft.document["network"], "network")
        table = dict(zip(("bit_rate", "data_bit_rate"), rates, strict=False))
        _merge(draft.document, {"network": {name: table}}, "")

    return change


def set_identifiers(changes: Mapping[str, int]) -> Change:
    """Identifiers of single messages, by their labels (``network/node/NAME``)."""

    def change(draft: Draft) -> None:
        tables = draft.document.setdefault("message", {})
        for label, identifier in changes.items():
            _, _, message = label.split("/", 2)
            # A shorter name of the same message would be a second table about it.
            short = f"{label.split('/', 1)[0]}/{message}"
            tables.setdefault(short if short in tables else label, {})["identifier"] = identifier

    return change


def set_part_offsets(offsets: Mapping[str, int]) -> Change:
    """What is added to all identifiers of a node, by node."""

    def change(draft: Draft) -> None:
        for node, offset in offsets.items():
            draft.document["node"][node]["identifier_offset"] = offset

    return change


def set_offsets(offsets: Mapping[str, Mapping[str, float]]) -> Change:
    """Send offsets [ms] of messages, by node and by ``NAME`` or ``network/NAME``."""

    def change(draft: Draft) -> None:
        for node, values in offsets.items():
            table = draft.document["node"][node].setdefault("offsets", {})
            for name, ms in values.items():
                # Another name of the same message would be a second offset of it.
                mine = [n for n in table if n.rpartition("/")[2] == name.rpartition("/")[2]]
                alike = [n for n in mine if "/" not in n or "/" not in name or n == name]
                table[alike[0] if alike else name] = ms

    return change


def drop_node(name: str) -> Change:
    """Leave a node out, with its stubs, the routes through it and its place in the pack."""

    def change(draft: Draft) -> None:
        _known(name, draft.document.get("node", {}), "node")
        del draft.document["node"][name]
        for network in draft.document["network"]:
            leave_cable(draft, network, name)
        _take_routes(draft, lambda r: r.get("through") == name, f"{name} passes nothing on")
        _take_routes(draft, lambda r: r.get("node") == name, f"{name} sends nothing")
        take_timing(draft, name)
        _take_pack(draft, name)

    return change


def move_node(assignment: str) -> Change:
    """``NODE=NETWORK``, or ``NODE/NETWORK=NETWORK`` for a node that sits on several."""
    who, target = _pair(assignment, "NODE=NETWORK or NODE/NETWORK=NETWORK")
    name, _, source = who.partition("/")

    def change(draft: Draft) -> None:
        nodes = draft.document.get("node", {})
        table = nodes[_known(name, nodes, "node")]
        _known(target, draft.document["network"], "network")
        old = _network_left(table["on"], name, source)
        ports = [p for p, n in draft.before.freedom.nodes[name].ports.items() if n == old]
        move_ports(draft, name, dict.fromkeys(ports, target))
        on = set(table["on"].values() if isinstance(table["on"], dict) else table["on"])
        _take_routes(
            draft,
            lambda r: (
                (r.get("through") == name and not {r.get("from"), r.get("to")} <= on)
                or (r.get("node") == name and r.get("from") == old)
            ),
            f"{name} is not on {old} any more",
        )

    return change


def _network_left(on: Any, name: str, source: str) -> str:
    networks = list(on.values() if isinstance(on, dict) else on)
    if source:
        return _known(source, networks, f"network of {name}")
    if len(set(networks)) > 1:
        raise UsageError(
            f"{name} is on {', '.join(networks)}: say which it leaves, {name}/NETWORK=NETWORK"
        )
    return str(networks[0])


def _take_routes(draft: Draft, gone: Callable[[dict[str, Any]], bool], why: str) -> None:
    routes: list[dict[str, Any]] = draft.document.get("route", [])
    lost = [r for r in routes if gone(r)]
    if not lost:
        return
    draft.document["route"] = [r for r in routes if not gone(r)]
    shown = ", ".join(
        f"{r.get('signal') or r.get('message')} {r.get('from')} to {r.get('to')}" for r in lost
    )
    draft.told.append(f"{why}, so these routes are left out: {shown}")


def _take_pack(draft: Draft, node: str) -> None:
    pack: dict[str, Any] | None = draft.document.get("pack")
    if pack is None or draft.before.pack is None:
        return
    layout = draft.before.pack
    boxes = [b for b in pack.get("enclosure", []) if b.get("node") != node]
    for quantity, address in layout.quantities.items():
        if address.node == node:
            del pack["quantities"][quantity]
    if not boxes:
        del draft.document["pack"]
    if len(boxes) < len(pack.get("enclosure", [])):
        draft.told.append(f"the pack is left without the cells that {node} measures")
        pack["enclosure"] = boxes


def _merge(into: dict[str, Any], values: dict[str, Any], path: str) -> None:
    for key, value in values.items():
        there = into.get(key)
        if isinstance(value, dict) and f"{path}{key}" in ENTRIES:
            _merge_entries(into.setdefault(key, []), value, f"{path}{key}")
        elif isinstance(value, dict) and isinstance(there, list):
            raise UsageError(f"{path}{key} is a list; set it as a whole, or edit the plan")
        elif isinstance(value, dict) and isinstance(there, dict):
            _merge(there, value, f"{path}{key}.")
        else:
            into[key] = value


def _merge_entries(entries: list[Document], values: dict[str, Any], path: str) -> None:
    for key, value in values.items():
        if not isinstance(value, dict):
            raise UsageError(
                f"{path}.{key} is a table; set one of its keys, {path}.{key}.KEY=VALUE"
            )
        if key == NEW:
            entries.append(value)
        else:
            _merge(_entry(entries, key, path), value, f"{path}.{key}.")


def _entry(entries: list[Document], key: str, path: str) -> Document:
    """The entry of that name or, where none has it, of that number."""
    names = [{e[k] for k in ENTRIES[path] if k in e} for e in entries]
    found = [i for i, own in enumerate(names) if key in own]
    if not found and key.isdecimal() and 1 <= int(key) <= len(entries):
        found = [int(key) - 1]
    if len(found) > 1:
        which = " or ".join(f"{path}.{i + 1}{_ends(entries[i])}" for i in found)
        raise UsageError(f'"{key}" names {len(found)} entries of {path}: say {which}')
    if not found:
        near = suggestion(key, sorted(set().union(*names)), "name")
        raise UsageError(
            f'{path} has no entry "{key}"{near}; it has numbers 1 to {len(entries)}'
            if entries
            else f"the plan has no {path}; {path}.{NEW} adds one"
        )
    return entries[found[0]]


def _ends(entry: Document) -> str:
    """Where a route goes, to tell it from its namesakes."""
    return f" ({entry['from']} to {entry['to']})" if {"from", "to"} <= entry.keys() else ""


def _pair(assignment: str, form: str) -> tuple[str, str]:
    left, equals, right = (part.strip() for part in assignment.partition("="))
    if not (left and equals and right):
        raise UsageError(f'"{assignment}" is no {form}')
    return left, right


def _known(name: str, names: Any, what: str) -> str:
    if name not in names:
        raise UsageError(f'there is no {what} "{name}"{suggestion(name, names, what)}')
    return name
