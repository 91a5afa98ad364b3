"""MF4 bus logging (ASAM MDF 4, bus events), read as whole arrays through asammdf.

A file keeps data, error and remote frames in groups of their own; they are merged by time, so all
frames of the file are in memory once. Channel numbers become ``can0`` and so on, as numbered in the
file. asammdf is an extra (``mf4``).
"""

from __future__ import annotations

import traceback
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from busplan.capture.chunks import (
    EPOCH_FROM_NS,
    LATEST_S,
    ChannelNames,
    Chunk,
    Progress,
    joined,
    reorder,
)
from busplan.capture.gather import NO_CHANNEL
from busplan.capture.mf4_records import outside, plain_records
from busplan.capture.object_frames import nanoseconds
from busplan.capture.tally import Tally
from busplan.errors import CaptureError
from busplan.frames.columns import U8, U16
from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, FD_LENGTHS, REMOTE, SENT

KINDS = {"CAN_DataFrame": 0, "CAN_RemoteFrame": REMOTE, "CAN_ErrorFrame": ERROR}
"""Bus events and the flag their frames get."""
_LOCAL_TIME = 1
"""Flag of the header block: its time is local and no zone is given (ASAM MDF 4, HDBLOCK)."""
_RECORDS = 1 << 18
"""Records read at a time."""
_FLAGS = {"IDE": EXTENDED, "EDL": FD, "BRS": BRS, "ESI": ESI}


def mf4_chunks(
    path: Path, tally: Tally, names: ChannelNames, progress: Progress | None = None
) -> Iterator[Chunk]:
    """All frames of an MF4 file, merged by time."""
    try:
        from asammdf import MDF
    except ImportError as error:
        raise CaptureError(f"{path}: MF4 needs one more library: pip install asammdf") from error
    tally.entry = "record"
    parts: list[Chunk] = []
    size = path.stat().st_size
    with ExitStack() as opened:
        # Opened here: given a path, the library complains on stderr when it cannot open it.
        stream = opened.enter_context(path.open("rb"))
        try:
            # It would read all frames once more to list their identifiers.
            opener: Any = MDF
            file = opener(stream, process_bus_logging=False)
        except Exception as error:  # the library raises whatever it stumbles over
            _let_go(error)
            raise CaptureError(f"{path}: not a readable MF4 file ({error})") from error
        opened.callback(file.close)
        # The library would read a time without a zone in the zone of whoever reads it.
        start_ns = int(getattr(file.header, "abs_time", 0))
        if not 0 <= start_ns <= LATEST_S * 10**9:
            start_ns = 0
        if start_ns >= EPOCH_FROM_NS and getattr(file.header, "time_flags", 0) & _LOCAL_TIME:
            tally.zone_unknown()
        source = opened.enter_context(path.open("rb"))
        for index, kind in _bus_groups(file):
            wanted = int(file.groups[index].channel_group.cycles_nr)
            got = 0
            plain = plain_records(file, source, index, kind, _RECORDS)
            while got < wanted:
                try:
                    fields, time_s = next(plain, None) or _read(
                        file, index, kind, got, min(_RECORDS, wanted - got)
                    )
                    part = _chunk(fields, time_s, kind, start_ns, tally, names)
                except Exception as error:  # as above
                    tally.torn = f"damaged after {got} of {wanted} records of {kind} ({error})"
                    break
                if not len(time_s):
                    tally.torn = f"{kind} states {wanted} records, {got} are there"
                    break
                got += len(time_s)
                tally.entries += len(time_s)
                parts.append(part)
                if progress:
                    progress(min(size, size * got // max(wanted, 1)), tally.entries)
    yield from _merged(parts)


def _let_go(error: BaseException) -> None:
    """Mark the half-made file object as closed: its finalizer would fail loudly on stderr."""
    for frame, _ in traceback.walk_tb(error.__traceback__):
        half_made: Any = frame.f_locals.get("self")
        if hasattr(half_made, "_closed"):
            half_made._closed = True


def _bus_groups(file: Any) -> Iterator[tuple[int, str]]:
    for index, group in enumerate(file.groups):
        channels = {channel.name for channel in group.channels}
        for kind in KINDS:
            if kind in channels:
                yield index, kind


def _read(
    file: Any, index: int, kind: str, first: int, count: int
) -> tuple[dict[str, npt.NDArray[Any]], npt.NDArray[np.float64]]:
    """Fields and times [s] of some records, through the library: whatever they are like."""
    if outside(file.groups[index]):
        raise ValueError("a channel lies outside its record")
    signal = file.get(kind, index, record_offset=first, record_count=count)
    samples = signal.samples
    fields = {str(n).split(".")[-1]: samples[n] for n in samples.dtype.names}
    return fields, np.asarray(signal.timestamps, np.float64)


def _chunk(
    fields: dict[str, npt.NDArray[Any]],
    time_s: npt.NDArray[np.float64],
    kind: str,
    start_ns: int,
    tally: Tally,
    names: ChannelNames,
) -> Chunk:
    """One block of records as columns; records that cannot be frames are set aside."""
    n = len(time_s)
    identifier = np.asarray(fields.get("ID", np.zeros(n)), np.uint32)
    flags = np.full(n, KINDS[kind], np.uint8)
    if "IDE" not in fields:
        flags |= np.where(identifier >> 31, EXTENDED, 0).astype(np.uint8)
    for name, flag in _FLAGS.items():
        if name in fields:
            flags |= (fields[name] != 0).view(np.uint8) * np.uint8(flag)
    if "Dir" in fields:
        direction = fields["Dir"]
        sent = direction == b"Tx" if direction.dtype.kind == "S" else direction != 0
        flags |= sent.view(np.uint8) * np.uint8(SENT)
    identifier = identifier & np.uint32(0x1FFF_FFFF)
    data: U8 = np.zeros((n, 0), np.uint8)
    if "DataBytes" in fields and kind != "CAN_RemoteFrame":
        data = np.asarray(fields["DataBytes"], np.uint8).reshape(n, -1)
    stated = fields.get("DataLength" if kind != "CAN_RemoteFrame" else "DLC", np.zeros(n))
    length = np.asarray(stated, np.int64)
    length = np.minimum(length, 8 if kind == "CAN_RemoteFrame" else data.shape[1])
    keep = _possible(time_s, identifier, flags, length, tally)
    channel = fields.get("BusChannel")
    if channel is None:
        network = np.full(n, names.index(NO_CHANNEL), np.uint16)
    else:
        network = _networks(channel, names)
    if not keep.all():
        time_s, network, identifier = time_s[keep], network[keep], identifier[keep]
        flags, data, length = flags[keep], data[keep], length[keep]
    width = int(length.max(initial=0)) if kind != "CAN_RemoteFrame" else 0
    payload = data[:, :width]
    if not (length == width).all():
        payload = payload[np.arange(width) < length[:, None]]
    return Chunk(
        nanoseconds(time_s) + start_ns,
        network,
        identifier,
        flags,
        length.astype(np.uint8),
        np.ascontiguousarray(payload).reshape(-1),
    )


def _networks(channel: npt.NDArray[Any], names: ChannelNames) -> U16:
    """Channel numbers as networks, named in the order of the numbers."""
    if channel.dtype.kind == "u" and len(channel) and int(channel.max()) < 1 << 16:
        there = np.flatnonzero(np.bincount(channel))
        table = np.zeros(int(channel.max()) + 1, np.uint16)
        table[there] = [names.index(f"can{c}") for c in there]
        return np.asarray(table[channel], np.uint16)
    numbers, where = np.unique(channel, return_inverse=True)
    return np.array([names.index(f"can{c}") for c in numbers], np.uint16)[where]


def _possible(
    time_s: npt.NDArray[np.float64],
    identifier: npt.NDArray[np.uint32],
    flags: U8,
    length: npt.NDArray[np.int64],
    tally: Tally,
) -> npt.NDArray[np.bool_]:
    fd = (flags & FD) != 0
    base = (flags & (EXTENDED | ERROR)) == 0
    wrong = {
        "has no believable time": ~(np.abs(time_s) <= LATEST_S),
        "has an identifier out of range": base & (identifier > 0x7FF),
        "has a payload longer than its kind of frame can hold": ~fd & (length > 8),
        "has a CAN FD payload length that no CAN FD frame can have": fd
        & ~np.isin(length, FD_LENGTHS)
        if fd.any()
        else fd,
    }
    keep = np.ones(len(flags), np.bool_)
    for reason, hits in wrong.items():
        hits = hits & keep
        if hits.any():
            tally.set_aside(reason, tally.entries + int(hits.argmax()) + 1, int(hits.sum()))
        keep &= ~hits
    return keep


def _merged(parts: list[Chunk]) -> Iterator[Chunk]:
    """The blocks as one, in time order when several groups had to be merged."""
    if not parts:
        return
    whole = joined(parts)
    order = np.argsort(whole.time_ns, kind="stable")
    yield whole if np.array_equal(order, np.arange(len(order))) else reorder(whole, order)
