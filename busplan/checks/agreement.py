"""Do sender and receiver read the same frame the same way?"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import PurePath

from busplan.checks.matching import Senders
from busplan.definitions.model import Message, Signal
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.vehicle import Need, Stream, Vehicle
from busplan.wording import listing

_FACETS: tuple[tuple[str, str], ...] = (
    ("start", "start bit"),
    ("length", "length"),
    ("big_endian", "byte order"),
    ("signed", "sign"),
    ("is_float", "number kind"),
    ("scale", "scale"),
    ("offset", "offset"),
    ("unit", "unit"),
)


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Messages whose receiver has another idea of a signal it receives than the sender."""
    found: dict[tuple[str, str, str, str], tuple[Stream, Need, dict[str, None]]] = {}
    senders = Senders(vehicle)
    for need in vehicle.needs:
        if need.named_by:
            continue
        for stream in senders.of(need):
            if stream.message is need.message or stream.message.name != need.message.name:
                continue
            if told := _differences(stream.message, need.message, need.signal):
                key = (need.network, stream.node, need.node, need.message.name)
                entry = found.setdefault(key, (stream, need, {}))
                entry[2].update(dict.fromkeys(told))
    for stream, need, differences in found.values():
        yield _disagree(stream, need, list(differences))


def _differences(sent: Message, wanted: Message, signal: Signal | None) -> list[str]:
    told = []
    if wanted.length > sent.length:
        told.append(f"length {sent.length} sent, {wanted.length} expected")
    if signal is None:
        return told
    if not sent.has(signal.name):
        return [*told, f"{signal.name} is not in the sender's"]
    theirs = sent.signal(signal.name)
    for name, words in _FACETS:
        ours, other = getattr(signal, name), getattr(theirs, name)
        if ours != other:
            told.append(f"{signal.name} has {words} {_show(other)} sent, {_show(ours)} expected")
    return told


def _show(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


def _disagree(stream: Stream, need: Need, differences: list[str]) -> Finding:
    signal = need.signal.name if need.signal else None
    files = listing(PurePath(f).name for f in (stream.message.file, need.message.file) if f)
    return Finding(
        "definitions-disagree",
        Weight.CAUTION,
        Where(need.network, need.node, need.message.name, signal),
        f"{stream.node} and {need.node} describe {need.message.name} differently ({files}): "
        f"{listing(differences, 3)}.",
        f"{need.node} reads values that {stream.node} never sent.",
        "Find out which file is right and use it for both parts.",
        (Figure("differences", len(differences)),),
    )
