"""DBC files in through cantools, out as our own messages and signals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import NO_CHOICES, Message, MuxCondition, Origin, Signal, Stated
from busplan.errors import PlanError, Problem
from busplan.findings import Finding


@dataclass(frozen=True, slots=True)
class Definitions:
    """What one definition file says.

    ``findings`` holds what had to be tolerated; ``encoding`` is how the file was read;
    ``bit_rate_hint`` [bit/s] is a bit rate the file mentions, never taken as the network's.
    """

    file: str
    nodes: tuple[str, ...]
    messages: tuple[Message, ...]
    findings: tuple[Finding, ...] = ()
    encoding: str = "utf-8"
    bit_rate_hint: int | None = None


def load_dbc(path: str | Path, *, encoding: str | None = None) -> Definitions:
    """Read a DBC file. ``PlanError`` when it is missing or nothing in it can be used."""
    from cantools.database.can.formats import dbc

    file = str(path)
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise PlanError([Problem(file, None, "", f"cannot be read: {error.strerror}")]) from error
    text = data.decode(encoding or "utf-8-sig")
    database = dbc.load_string(text, strict=False, sort_signals=None)
    messages = tuple(_message(m, file) for m in database.messages)
    return Definitions(file, tuple(n.name for n in database.nodes), messages)


def _message(source: Any, file: str) -> Message:
    fd = bool(source.is_fd)
    j1939 = source.is_extended_frame and source.protocol == "j1939"
    return Message(
        name=source.name,
        identifier=source.frame_id,
        extended=source.is_extended_frame,
        length=source.length,
        signals=tuple(_signal(s) for s in source.signals),
        senders=tuple(source.senders),
        fd=fd,
        bit_rate_switch=fd,
        cycle=_cycle(source),
        j1939=split_identifier(source.frame_id) if j1939 else None,
        comment=source.comment or "",
        file=file,
    )


def _cycle(source: Any) -> Stated | None:
    if not source.cycle_time:
        return None
    stated = source.dbc is not None and "GenMsgCycleTime" in (source.dbc.attributes or {})
    origin = Origin.DEFINITION if stated else Origin.FILE_DEFAULT
    return Stated(round(source.cycle_time * 1e6), origin)


def _signal(source: Any) -> Signal:
    condition = None
    if source.multiplexer_ids is not None and source.multiplexer_signal is not None:
        ids = sorted(source.multiplexer_ids)
        condition = MuxCondition(source.multiplexer_signal, tuple((i, i) for i in ids))
    return Signal(
        name=source.name,
        start=source.start,
        length=source.length,
        big_endian=source.byte_order == "big_endian",
        signed=source.is_signed,
        is_float=source.is_float,
        scale=source.scale,
        offset=source.offset,
        minimum=source.minimum,
        maximum=source.maximum,
        unit=source.unit or "",
        choices=_choices(source.choices),
        receivers=tuple(source.receivers),
        selects=bool(source.is_multiplexer),
        condition=condition,
        comment=source.comment or "",
        spn=source.spn,
    )


def _choices(source: Mapping[int, Any] | None) -> Mapping[int, str]:
    if not source:
        return NO_CHOICES
    return MappingProxyType({int(value): str(text) for value, text in source.items()})
