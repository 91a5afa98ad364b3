"""Putting blocks of frames of one or several files together: columns, channels, groups, trust."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Protocol

import numpy as np

from busplan.capture.capture import Channel
from busplan.capture.chunks import EPOCH_FROM_NS, ChannelNames, Chunk
from busplan.capture.trust import TimeWatch, apart, doubled, unbelievable
from busplan.errors import CaptureError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.grouping import Grouper, as_groups
from busplan.frames.kinds import ERROR, REMOTE
from busplan.frames.table import FrameTable, believable_bounds

COLUMNS: Mapping[str, type[np.generic]] = {
    "time_ns": np.int64,
    "network": np.uint16,
    "identifier": np.uint32,
    "flags": np.uint8,
    "length": np.uint8,
    "start": np.int64,
    "payload": np.uint8,
}
"""Columns of a frame table and their types, as they are kept."""

Columns = dict[str, np.ndarray]


class Sink(Protocol):
    """Where columns go: memory or files."""

    def append(self, columns: Columns) -> None:
        """Take the next block of every column."""

    def columns(self) -> Columns:
        """Everything appended, each column as one array."""


class MemorySink:
    """Keeps the columns in memory."""

    def __init__(self) -> None:
        self._blocks: list[Columns] = []

    def append(self, columns: Columns) -> None:
        """Keep the next block."""
        self._blocks.append(columns)

    def columns(self) -> Columns:
        """The blocks joined; they are given up on the way, so that memory is not needed twice."""
        joined: Columns = {}
        for name, kind in COLUMNS.items():
            parts = [b.pop(name) for b in self._blocks]
            joined[name] = np.concatenate(parts) if parts else np.empty(0, kind)
        return joined


@dataclass
class Lane:
    """One channel of one file; ``first_ns`` and ``last_ns`` leave unbelievable times out."""

    file: Path
    name: str
    frames: int = 0
    errors: int = 0
    first_ns: int = np.iinfo(np.int64).max
    last_ns: int = np.iinfo(np.int64).min


@dataclass
class Assembled:
    """Everything known about frames once all blocks are in; ``network`` numbers the lanes."""

    columns: Columns
    lanes: list[Lane]
    rows: I64
    keys: I64
    begin: I64
    bounds: tuple[int, int]
    findings: list[Finding]


MOST_CHANNELS = 1_000
MOST_IDENTIFIERS = 100_000
"""Bounds of one capture, identifiers counted on each channel: what is worked out for each of them
must fit time and memory. Vehicles have tens and hundreds."""


class Assembly:
    """Takes blocks file by file and keeps account of channels, groups and times."""

    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._grouper = Grouper()
        self._lanes: list[Lane] = []
        self._watches: list[TimeWatch] = []
        self._payload_bytes = 0
        self.frames = 0

    def file(
        self, path: Path, names: ChannelNames, offset_ns: int, chunks: Iterable[Chunk]
    ) -> Iterator[Chunk]:
        """The blocks of a file with times shifted and channels numbered through all files."""
        watch = TimeWatch(str(path))
        self._watches.append(watch)
        numbers: list[int] = []
        for chunk in chunks:
            for name in names.names[len(numbers) :]:
                numbers.append(len(self._lanes))
                self._lanes.append(Lane(path, name))
            if len(self._lanes) > MOST_CHANNELS:
                raise CaptureError(
                    f"{path}: more than {MOST_CHANNELS:,} channels, as no vehicle has"
                )
            if not len(chunk):
                continue
            time_ns = chunk.time_ns + offset_ns if offset_ns else chunk.time_ns
            network = np.array(numbers, np.uint16)[chunk.network]
            watch.add(time_ns)
            self._count(time_ns, network, chunk.flags)
            yield replace(chunk, time_ns=time_ns, network=network)

    def add(self, chunk: Chunk) -> None:
        """Take the next block of the whole capture."""
        stored = np.where(chunk.flags & REMOTE, 0, chunk.length).astype(np.int64)
        start = np.cumsum(stored) - stored
        self._grouper.add(
            chunk.time_ns,
            chunk.network,
            chunk.identifier,
            chunk.flags,
            chunk.length,
            start,
            chunk.payload,
        )
        if self._grouper.known > MOST_IDENTIFIERS:
            raise CaptureError(
                f"more than {MOST_IDENTIFIERS:,} different identifiers, as no vehicle has: "
                "is this a capture, and of the format its name says?"
            )
        self._sink.append(
            {
                "time_ns": chunk.time_ns,
                "network": chunk.network,
                "identifier": chunk.identifier,
                "flags": chunk.flags,
                "length": chunk.length,
                "start": start + self._payload_bytes,
                "payload": chunk.payload,
            }
        )
        self._payload_bytes += len(chunk.payload)
        self.frames += len(chunk)

    def _count(self, time_ns: I64, network: np.ndarray, flags: np.ndarray) -> None:
        frames = np.bincount(network)
        wrong = (flags & ERROR) != 0
        errors = np.bincount(network[wrong] if wrong.any() else (), minlength=len(frames))
        first, last = believable_bounds(time_ns)
        if first > time_ns.min() or last < time_ns.max():
            inside = (time_ns >= first) & (time_ns <= last)
            time_ns, network = time_ns[inside], network[inside]
        for number in np.flatnonzero(frames):
            self._lanes[number].frames += int(frames[number])
            self._lanes[number].errors += int(errors[number])
        by_lane = time_ns[np.argsort(network, kind="stable")]
        stamped = np.bincount(network)
        timed = np.flatnonzero(stamped)
        begins = np.asarray(np.cumsum(stamped) - stamped)[timed]
        ends = zip(
            np.minimum.reduceat(by_lane, begins), np.maximum.reduceat(by_lane, begins), strict=True
        )
        for number, (low, high) in zip(timed, ends, strict=True):
            lane = self._lanes[number]
            lane.first_ns = min(lane.first_ns, int(low))
            lane.last_ns = max(lane.last_ns, int(high))

    def finish(self) -> Assembled:
        """The columns with everything counted on the way."""
        columns = self._sink.columns()
        rows, keys, begin = self._grouper.rows()
        self._grouper.sort_times(rows, begin, columns["time_ns"])
        bounds = believable_bounds(columns["time_ns"])
        findings = [f for watch in self._watches for f in watch.findings(bounds)]
        findings += apart(_spans(self._lanes), bounds[0])
        findings += unbelievable(columns["time_ns"], bounds)
        findings += doubled(
            [lane.name for lane in self._lanes],
            [lane.frames for lane in self._lanes],
            [int(n) for n in self._grouper.doubled[: len(self._lanes)]],
        )
        return Assembled(columns, self._lanes, rows, keys, begin, bounds, findings)


def _spans(lanes: Sequence[Lane]) -> dict[str, tuple[int, int]]:
    """First and last time of each file that has believable ones."""
    spans: dict[str, tuple[int, int]] = {}
    for lane in lanes:
        if lane.first_ns > lane.last_ns:
            continue
        first, last = spans.get(str(lane.file), (lane.first_ns, lane.last_ns))
        spans[str(lane.file)] = min(first, lane.first_ns), max(last, lane.last_ns)
    return spans


def label_lanes(
    lanes: Sequence[Lane], rename: Mapping[str, str]
) -> tuple[list[str], list[Finding]]:
    """A channel name for each lane.

    Equal names in several files are one channel when the files follow each other in time; when
    they overlap, two adapters were recording, so the names get the file's own in front and that is
    reported. ``rename`` maps such a name, plain or with its stem, to one of the user's choice.
    """
    labels = [lane.name for lane in lanes]
    short = _short_names([lane.file for lane in lanes])
    findings = []
    for name in dict.fromkeys(labels):
        mine = [i for i, lane in enumerate(lanes) if lane.name == name and lane.frames]
        spans = sorted((lanes[i].first_ns, lanes[i].last_ns) for i in mine)
        if all(a[1] <= b[0] for a, b in pairwise(spans)):
            continue
        for i in mine:
            labels[i] = f"{short[lanes[i].file]}:{name}"
        apart = ", ".join(labels[i] for i in mine)
        findings.append(
            Finding(
                "channel-name-shared",
                Weight.NOTE if all(labels[i] in rename for i in mine) else Weight.CAUTION,
                Where(network=name),
                f"files that overlap in time all call a channel {name}; kept apart as {apart}",
                why="They may be different buses; joining them would invent traffic.",
                action="Name each one, for example --channel "
                f"{labels[mine[0]]}=NETWORK, or give their names as channels in the plan.",
                figures=(Figure("files", len(mine)),),
            )
        )
    return [
        rename.get(label, rename.get(lanes[i].name, label)) for i, label in enumerate(labels)
    ], findings


def _short_names(files: Sequence[Path]) -> dict[Path, str]:
    """The shortest names that tell files apart: the stem if that is enough."""
    distinct = list(dict.fromkeys(files))
    deepest = max((len(f.parts) for f in distinct), default=1)
    for parts in range(1, deepest + 1):
        for whole in (False, True):
            names = ["/".join(f.parts[-parts:]) for f in distinct]
            if not whole:
                names = [
                    n[: -len(f.name)] + f.name.split(".")[0]
                    for n, f in zip(names, distinct, strict=True)
                ]
            if len(set(names)) == len(names):
                return dict(zip(distinct, names, strict=True))
    return {f: str(f) for f in distinct}


def as_table(
    assembled: Assembled, rename: Mapping[str, str]
) -> tuple[FrameTable, tuple[Channel, ...], list[Finding]]:
    """The frame table with channels named, its channel table, and what naming had to decide."""
    labels, findings = label_lanes(assembled.lanes, rename)
    lane_names = [f"{lane.file}\0{lane.name}" for lane in assembled.lanes]
    table = FrameTable(
        tuple(lane_names),
        **assembled.columns,
        epoch=assembled.bounds[0] >= EPOCH_FROM_NS,
        index=as_groups(assembled.rows, assembled.keys, assembled.begin),
        bounds=assembled.bounds,
    ).relabel(dict(zip(lane_names, labels, strict=True)))
    channels = []
    for label in table.networks:
        lanes = [x for x, n in zip(assembled.lanes, labels, strict=True) if n == label]
        first = max(min(x.first_ns for x in lanes), assembled.bounds[0])
        last = min(max(x.last_ns for x in lanes), assembled.bounds[1])
        channels.append(
            Channel(
                label,
                sum(x.frames for x in lanes),
                sum(x.errors for x in lanes),
                first if first <= last else None,
                last if first <= last else None,
            )
        )
    return table, tuple(channels), findings
