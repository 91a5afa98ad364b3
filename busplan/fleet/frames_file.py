"""Decoded frames as one Parquet file a capture, and what each signal came to: in one pass.

A row a frame, sorted by message, then time; the numbers of the message stand in slots ``v0`` ...,
in busplan's own unit. Empty is what was not sent, or was sent as a code for "no measurement". One
message is decoded at a time, so that memory stays that of the busiest message.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from busplan.decode.codec import Codec, DecodedSignal
from busplan.decode.match import match_frames
from busplan.decode.report import MessageTally, decode_findings
from busplan.findings import Finding
from busplan.fleet.schema import frames as frames_schema
from busplan.fleet.units import readings_of, rows_of, slots_of
from busplan.frames.columns import F64, I64
from busplan.frames.table import FrameTable
from busplan.pack.reading import SignalReading
from busplan.plan.vehicle import Vehicle
from busplan.transport.messages import put_together
from busplan.transport.report import transport_findings

ROW_GROUP = 131_072
"""Rows that are written at a time, and read at a time by who asks for one message."""


NOTHING: dict[str, Any] = {"n": 0}
"""Statistics of a signal that never came."""


class Piece(NamedTuple):
    """Frames of one message: their times [ns] and the values of their slots, NaN: none."""

    name: str
    time_ns: I64
    slots: tuple[F64, ...]


@dataclass(eq=False)
class Decoded:
    """What decoding a whole capture came to, complete once all pieces have been taken."""

    frames: int = 0
    values: int = 0
    stats: dict[str, dict[str, Any]] = field(default_factory=dict)
    """Of every number of the plan, in its order: where each stands is told by ``signals``."""
    findings: tuple[Finding, ...] = ()


def decoded_pieces(table: FrameTable, vehicle: Vehicle, told: Decoded) -> Iterator[Piece]:
    """Every message that came, by name; counts and statistics go into ``told``."""
    messages = put_together(table, vehicle)
    matching = match_frames(messages, vehicle)
    readings = readings_of(vehicle)
    told.stats = {str(address): dict(NOTHING, signal=str(address)) for address in readings}
    tallies = [MessageTally(match) for match in matching.matches]
    order = sorted(range(len(tallies)), key=lambda i: tallies[i].match.stream.label)
    for tally in (tallies[i] for i in order):
        rows, stream = tally.match.rows, tally.match.stream
        if not len(rows):
            continue
        source, places = messages.pick(rows)
        decoded = Codec(stream.message).decode(source, places)
        tally.add(decoded, source.length[places])
        told.frames += len(rows)
        time_ns = decoded.time_ns
        for part in rows_of(stream, readings):
            slots = tuple(
                _values(reading, decoded[reading.signal.name], time_ns, told)
                for reading in part.readings
            )
            yield Piece(part.name, time_ns, slots)
    told.findings = (
        *decode_findings(tallies, matching, as_float=True),
        *transport_findings(messages.parts, table.origin_ns),
    )


def _values(reading: SignalReading, column: DecodedSignal, time_ns: I64, told: Decoded) -> F64:
    """One signal in our unit, NaN where it is none; its statistics go into ``told``."""
    measured = reading.measured(column)
    whole = bool(measured.all())
    kept = column.values if whole else column.values[measured]
    if not len(kept):
        return np.full(len(time_ns), np.nan)
    settled = reading.settled(np.asarray(kept, np.float64))
    values = settled.values(kept)
    low, high = int(values.argmin()), int(values.argmax())
    times = time_ns if whole else time_ns[measured]
    told.values += len(values)
    told.stats[str(reading.address)] = {
        "signal": str(reading.address),
        "unit": settled.unit,
        "n": len(values),
        "min": float(values[low]),
        "min_at_ns": int(times[low]),
        "max": float(values[high]),
        "max_at_ns": int(times[high]),
        "mean": float(values.mean()),
    }
    if whole:
        return values
    full = np.full(len(time_ns), np.nan)
    full[measured] = values
    return full


def write_frames(path: Path, table: FrameTable, vehicle: Vehicle, run_key: str) -> Decoded:
    """Write every decoded frame of a capture; what it came to. ``OSError`` where it cannot."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    told = Decoded()
    schema = frames_schema(slots_of(vehicle))
    # Names are written from their dictionary, which takes less time; who reads them gets text,
    # since the file does not tell what kind of column they came from.
    names = pa.dictionary(pa.int32(), pa.string())
    for place in range(2):
        schema = schema.set(place, schema.field(place).with_type(names))
    with pq.ParquetWriter(
        path,
        schema,
        store_schema=False,
        compression="zstd",
        compression_level=3,
        use_dictionary=[n for n in schema.names if n != "time_ns"],
        column_encoding={"time_ns": "DELTA_BINARY_PACKED"},
        write_statistics=["run_key", "message", "time_ns"],
    ) as writer:
        for group in _groups(decoded_pieces(table, vehicle, told)):
            writer.write_table(_as_table(group, schema, run_key), row_group_size=ROW_GROUP)
    return told


def _groups(pieces: Iterator[Piece]) -> Iterator[list[Piece]]:
    """Pieces put together, and cut, so that each group has :data:`ROW_GROUP` rows."""
    group: list[Piece] = []
    room = ROW_GROUP
    for name, time_ns, slots in pieces:
        first = 0
        while first < len(time_ns):
            last = min(first + room, len(time_ns))
            group.append(Piece(name, time_ns[first:last], tuple(s[first:last] for s in slots)))
            room -= last - first
            first = last
            if not room:
                yield group
                group, room = [], ROW_GROUP
    if group:
        yield group


def _as_table(group: list[Piece], schema: Any, run_key: str) -> Any:
    import pyarrow as pa

    names = list(dict.fromkeys(p.name for p in group))
    lengths = [len(p.time_ns) for p in group]
    rows = sum(lengths)
    codes = np.repeat([names.index(p.name) for p in group], lengths).astype(np.int32)
    columns = [
        pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), [run_key]),
        pa.DictionaryArray.from_arrays(pa.array(codes), names),
        pa.array(np.concatenate([p.time_ns for p in group])),
    ]
    for slot in range(len(schema) - len(columns)):
        if not any(slot < len(p.slots) for p in group):
            columns.append(pa.nulls(rows, pa.float64()))
            continue
        values = np.concatenate(
            [
                p.slots[slot] if slot < len(p.slots) else np.full(len(p.time_ns), np.nan)
                for p in group
            ]
        )
        columns.append(pa.array(values, from_pandas=True))
    return pa.table(columns, schema=schema)
