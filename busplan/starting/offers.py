"""Which parts the definition files offer: which of a file's nodes is the part, and its ports.

The rules of this file: a file describes one part when every message is sent or received by one
node; else it describes a whole network, and each of its senders is a part there. Files that give
the same sender other identifiers are ports of one part, files that give it nearly the same ones are
versions of one file, of which one is used.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath

from busplan.definitions.dbc import Definitions
from busplan.definitions.model import Message
from busplan.starting.heard import Key
from busplan.wording import percent, spelled

_MOSTLY = 0.9
"""Share of a file's messages that the part must have to do with."""
_SAME = 0.6
"""Share of common identifiers from which two files are versions of one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One connection of a part as a file describes it.

    ``files`` are named as a plan names them; ``together`` ties offers of one network file; ``why``
    says how the part was told among the nodes. ``paper`` holds messages that no file defines.
    """

    part: str
    port: str
    sender: str
    files: tuple[str, ...]
    messages: tuple[Message, ...]
    nodes: tuple[str, ...]
    why: str
    together: str = ""
    bit_rate_hint: int | None = None
    paper: bool = False

    @property
    def sent(self) -> tuple[Message, ...]:
        """What it sends."""
        return tuple(m for m in self.messages if self.sender in m.senders)

    @property
    def received(self) -> tuple[Message, ...]:
        """What it receives from others."""
        return tuple(
            m for m in self.messages if self.sender not in m.senders and self.sender in m.receivers
        )


def key_of(message: Message) -> Key:
    """What identifies a message on the wire."""
    return message.extended, message.identifier


def offers(
    files: Iterable[Definitions], names: dict[str, str]
) -> tuple[list[Offer], list[tuple[str, str]]]:
    """The offers of definition files, and the files without one, each with its reason.

    ``names`` maps a file's path to how the plan names it.
    """
    found: list[Offer] = []
    unused: list[tuple[str, str]] = []
    for file in files:
        named = names.get(file.file, file.file)
        made = _of_file(file, named)
        if not made:
            unused.append((named, "it names no node, so nothing in it can be a part"))
        found += made
    found, versions = _without_versions(found)
    return _parts(found), unused + versions


def _of_file(file: Definitions, named: str) -> list[Offer]:
    stem = PurePath(named).stem
    senders = tuple(dict.fromkeys(s for m in file.messages for s in m.senders))
    nodes = tuple(dict.fromkeys((*file.nodes, *senders, *_receivers(file))))
    if not nodes or not file.messages:
        return []
    share = {n: _share(n, file.messages) for n in nodes}
    ranked = sorted(
        nodes,
        key=lambda n: (
            -_named_alike(n, stem) if share[n] >= 0.5 else 0,
            -(share[n] >= _MOSTLY),
            -sum(n in m.senders for m in file.messages),
            nodes.index(n),
        ),
    )
    best = ranked[0]
    alike = _named_alike(best, stem) if share[best] >= 0.5 else 0
    if share[best] >= _MOSTLY or alike:
        why = f"{best} has to do with {percent(share[best], 0)} of the file's messages"
        why += " and is named like the file" if alike else ""
        return [_offer(file, named, best, why)]
    why = "the file has several senders and none that all messages concern: a whole network"
    return [replace(_offer(file, named, s, why), together=named, port="") for s in senders] or [
        _offer(file, named, nodes[0], "no node of the file sends anything")
    ]


def _offer(file: Definitions, named: str, sender: str, why: str) -> Offer:
    return Offer(
        part=plain(sender),
        port=_port_name(sender, PurePath(named).stem),
        sender=sender,
        files=(named,),
        messages=file.messages,
        nodes=file.nodes,
        why=why,
        bit_rate_hint=file.bit_rate_hint,
    )


def _receivers(file: Definitions) -> tuple[str, ...]:
    return tuple(r for m in file.messages for r in m.receivers)


def _share(node: str, messages: Sequence[Message]) -> float:
    """Part of the messages that a node sends or receives; one nobody receives concerns anybody."""
    mine = sum(
        node in m.senders or node in m.receivers or (not m.receivers and not m.senders)
        for m in messages
    )
    return mine / len(messages)


def _letters(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", _latin(text))


def _named_alike(node: str, stem: str) -> int:
    """How much a node's name is the file's: 3 the same, 2 its beginning or end, 1 within, 0 not."""
    a, b = _letters(node), _letters(stem)
    if not a or not b:
        return 0
    if a == b:
        return 3
    if len(a) > 2 and (b.startswith(a) or b.endswith(a)):
        return 2
    return 1 if len(a) > 2 and a in b else 0


def _port_name(sender: str, stem: str) -> str:
    """What the file's name adds to the sender's: ``drive`` of ``supervisor_drive``."""
    parts = [p for p in re.split(r"[^A-Za-z0-9]+", stem.lower()) if p]
    own = [p for p in re.split(r"[^A-Za-z0-9]+", sender.lower()) if p]
    for start in (0, len(parts) - len(own)):
        if start >= 0 and parts[start : start + len(own)] == own:
            return "_".join(parts[:start] + parts[start + len(own) :])
    return ""


def plain(name: str) -> str:
    """A name for a plan: lower case, letters, digits and ``_``; ``ü`` becomes ``ue``."""
    return re.sub(r"[^a-z0-9_]+", "_", _latin(name)).strip("_") or "part"


def _latin(text: str) -> str:
    """Lower case in ASCII, so that ``Lüfter`` and the ``LUEFTER`` of a DBC file are one."""
    return spelled(text).lower()


def _without_versions(found: list[Offer]) -> tuple[list[Offer], list[tuple[str, str]]]:
    """Of files that describe the same connection of the same sender the last by name is kept."""
    kept: list[Offer] = []
    told: list[tuple[str, str]] = []
    for offer in sorted(found, key=lambda o: o.files):
        for index, other in enumerate(kept):
            if offer.sender == other.sender and _same_connection(offer, other):
                told.append(
                    (
                        other.files[0],
                        f"{offer.files[0]} gives {offer.sender} nearly the same identifiers; taken "
                        "to be the newer version of it",
                    )
                )
                kept[index] = offer
                break
        else:
            kept.append(offer)
    return kept, told


def _same_connection(a: Offer, b: Offer) -> bool:
    mine, others = {key_of(m) for m in a.sent}, {key_of(m) for m in b.sent}
    union = mine | others
    if not union:
        return bool(a.messages) and a.files != b.files and a.messages == b.messages
    return len(mine & others) / len(union) >= _SAME


def _parts(found: list[Offer]) -> list[Offer]:
    """Names of parts: several files of one sender are ports where the files' names say so."""
    result: list[Offer] = []
    by_sender: dict[str, list[Offer]] = {}
    for offer in found:
        by_sender.setdefault(offer.sender, []).append(offer)
    used: set[str] = set()
    for sender, group in by_sender.items():
        ports = [o.port for o in group]
        are_ports = len(group) > 1 and all(ports) and len(set(ports)) == len(ports)
        if are_ports:
            name = _unused(plain(sender), used)
            result += [replace(o, part=name) for o in group]
            continue
        for offer in group:
            stem = plain(PurePath(offer.files[0]).stem)
            wanted = plain(sender) if len(group) == 1 else f"{plain(sender)}_{stem}"
            result.append(replace(offer, part=_unused(wanted, used), port=""))
    return result


def _unused(name: str, used: set[str]) -> str:
    """The name, with a number behind it where it is taken."""
    free, number = name, 2
    while free in used:
        free, number = f"{name}_{number}", number + 1
    used.add(free)
    return free
