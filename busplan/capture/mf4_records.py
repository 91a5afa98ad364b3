"""Records of MF4 bus logging as they lie in the file, where they are plain.

asammdf says what is where. Plain are fixed records of unsigned numbers and bytes with times in
seconds, in blocks that are whole, packed or not; anything else, and all from the first doubt on,
is left to the library.
Layout: ASAM MDF 4, CNBLOCK, DTBLOCK and DZBLOCK (by way of asammdf's own reading).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import U8

try:  # the library's own way to unpack, several times as fast
    from isal import isal_zlib as zlib
except ImportError:  # it asks for it on some processors only
    import zlib  # type: ignore[no-redef]

_DAMAGED: Any = zlib.error
_FIXED, _MASTER = 0, 2
"""Kinds of channels: with a fixed length; the time."""
_UNSIGNED, _REAL, _BYTES = 0, 4, 10
"""Kinds of values, Intel byte order."""
_INVALID = 3
"""Flags of channels whose values may be marked as invalid."""
_STORED, _DEFLATED, _TURNED = 0, 1, 2
"""Kinds of blocks; in the last the bytes of all records stand column by column."""


@dataclass(frozen=True)
class _Field:
    """Where a field stands in a record; ``bits`` 0: bytes as they are."""

    first: int
    size: int
    shift: int = 0
    bits: int = 0

    def of(self, rows: U8) -> npt.NDArray[Any]:
        part = rows[:, self.first : self.first + self.size]
        if not self.bits:
            return part
        if self.size == 1:
            value: npt.NDArray[Any] = part[:, 0]
        else:
            width = 4 if self.size <= 4 else 8
            wide = np.zeros((len(rows), width), np.uint8)
            wide[:, : self.size] = part
            value = wide.view(f"<u{width}")[:, 0]
        if self.shift or self.bits < 8 * self.size:
            value = (value >> self.shift) & ((1 << self.bits) - 1)
        return value


@dataclass(frozen=True)
class _Layout:
    size: int
    time: _Field
    fields: dict[str, _Field]


def plain_records(
    file: Any, source: BinaryIO, index: int, kind: str, most: int
) -> Iterator[tuple[dict[str, npt.NDArray[Any]], npt.NDArray[np.float64]]]:
    """Fields and times [s] of ``most`` records of a group at a time, as long as all is plain.

    ``kind`` is the name of the bus event; ``source`` the file, of nobody else's use.
    """
    try:
        group = file.groups[index]
        layout = _layout(group, kind)
        if layout is None:
            return
        left = int(group.channel_group.cycles_nr)
        pending: list[U8] = []
        have = 0
        for rows in _blocks(group, source, layout.size):
            pending.append(rows)
            have += len(rows)
            while left and have >= min(most, left):
                wanted = min(most, left)
                window, pending = _split(pending, wanted)
                yield _columns(window, layout)
                left, have = left - wanted, have - wanted
    except (AttributeError, KeyError, TypeError, ValueError, OSError, _DAMAGED, MemoryError):
        return  # another version of the library, or a damaged file


def _layout(group: Any, kind: str) -> _Layout | None:
    told = group.channel_group
    if (
        told.invalidation_bytes_nr
        or group.uses_ld
        or not group.sorted
        or group.data_group.record_id_len
        or group.data_location  # not in the file itself
    ):
        return None
    if any(c.channel_type not in (_FIXED, _MASTER) or c.flags & _INVALID for c in group.channels):
        return None
    (time,) = (c for c in group.channels if c.channel_type == _MASTER)
    (whole,) = (c for c in group.channels if c.name == kind)
    head = f"{kind}."
    parts = [c for c in group.channels if c.name.startswith(head)]
    inside = np.dtype(whole.dtype_fmt).fields or {}
    placed = {n: int(whole.byte_offset) + told[1] for n, told in inside.items()}
    if placed != {c.name: c.byte_offset for c in parts} or whole.bit_offset:
        return None
    fields = {c.name.removeprefix(head): _field(c) for c in parts}
    size = int(told.samples_byte_nr)
    found = _Layout(size, _Field(time.byte_offset, 8), {n: f for n, f in fields.items() if f})
    plain = len(found.fields) == len(parts) and not outside(group)
    exact = (time.data_type, time.bit_count, time.bit_offset) == (_REAL, 64, 0)
    return found if plain and exact and time.conversion is None and size else None


def outside(group: Any) -> bool:
    """Whether a channel lies outside its record: the library would read whatever is there."""
    told = group.channel_group
    size = told.samples_byte_nr + told.invalidation_bytes_nr
    return any(c.byte_offset + (c.bit_offset + c.bit_count + 7) // 8 > size for c in group.channels)


def _field(channel: Any) -> _Field | None:
    shift, bits = int(channel.bit_offset), int(channel.bit_count)
    size = (shift + bits + 7) // 8
    name = channel.name.rpartition(".")[2]
    if channel.conversion is not None or not bits:
        return None
    if channel.data_type == _BYTES and name == "DataBytes" and not shift and not bits % 8:
        return _Field(int(channel.byte_offset), size)
    if channel.data_type == _UNSIGNED and name != "DataBytes" and size <= 8 and bits <= 32:
        return _Field(int(channel.byte_offset), size, shift, bits)
    return None


def _blocks(group: Any, source: BinaryIO, size: int) -> Iterator[U8]:
    """The records of each block (n, size), as long as blocks are whole."""
    carry: U8 = np.empty(0, np.uint8)
    for told in group.data_blocks:
        source.seek(told.address)
        raw = source.read(told.compressed_size)
        if len(raw) != told.compressed_size:
            return
        if told.block_type in (_DEFLATED, _TURNED):
            unpacking = zlib.decompressobj()
            raw = unpacking.decompress(raw, told.original_size + 1)
            if not unpacking.eof:
                return
        elif told.block_type != _STORED:
            return
        if len(raw) != told.original_size:
            return
        data: U8 = np.frombuffer(raw, np.uint8)
        if told.block_type == _TURNED:
            columns = int(told.param)
            lines = len(data) // columns
            turned = data[: columns * lines].reshape(columns, lines).T
            if (columns, len(carry), told.block_limit) == (size, 0, None) and turned.size == len(
                data
            ):
                yield turned
                continue
            data = np.concatenate((turned.ravel(), data[columns * lines :]))
        if told.block_limit is not None:
            data = data[: told.block_limit]
        if len(carry):
            data = np.concatenate((carry, data))
        whole = len(data) // size * size
        carry = data[whole:]
        yield data[:whole].reshape(-1, size)


def _split(pending: list[U8], wanted: int) -> tuple[list[U8], list[U8]]:
    """The first ``wanted`` records, and the rest."""
    first: list[U8] = []
    for at, rows in enumerate(pending):
        if len(rows) >= wanted:
            first.append(rows[:wanted])
            rest = [rows[wanted:]] if len(rows) > wanted else []
            return first, rest + pending[at + 1 :]
        first.append(rows)
        wanted -= len(rows)
    return first, []


def _columns(
    window: list[U8], layout: _Layout
) -> tuple[dict[str, npt.NDArray[Any]], npt.NDArray[np.float64]]:
    def joined(field: _Field) -> npt.NDArray[Any]:
        parts = [field.of(rows) for rows in window]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    length = layout.fields.get("DataLength")
    data = layout.fields.get("DataBytes")
    fields = {n: joined(f) for n, f in layout.fields.items() if f is not data}
    if data is not None:
        # Bytes that no frame of these has need not be looked at.
        longest = int(fields["DataLength"].max(initial=0)) if length else data.size
        fields["DataBytes"] = joined(_Field(data.first, min(longest, data.size)))
    time = np.ascontiguousarray(joined(layout.time))
    return fields, time.view("<f8")[:, 0].astype(np.float64, copy=False)
