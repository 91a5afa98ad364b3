"""Decoding chosen signals of a whole vehicle, window by window, so that memory stays bounded."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal

from busplan.decode.codec import Codec
from busplan.decode.columns import (
    Clock,
    Column,
    Grid,
    Holder,
    Received,
    long_schema,
    long_table,
    wide_schema,
)
from busplan.decode.match import Match, Matching, match_frames
from busplan.decode.report import MessageTally, decode_findings
from busplan.decode.windows import rows_within, window_borders
from busplan.errors import UsageError
from busplan.findings import Finding
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import SignalAddress, Vehicle
from busplan.transport.messages import Messages, put_together
from busplan.transport.report import tallies, transport_findings

if TYPE_CHECKING:
    from pandas import DataFrame

Layout = Literal["long", "wide"]
"""*Long* has one row for each value received: time, network, node, message, signal, value, unit,
text. *Wide* has one row for each time and one column for each signal (``decode.columns``)."""

VALUES_AT_ONCE = 4_000_000
"""Values or cells that one window may hold."""

MOST_ROWS = 1_000_000_000
"""Rows of a regular grid; more is taken for a mistyped step."""

_AS_RECEIVED = Grid()


@dataclass(frozen=True, eq=False)
class _Wanted:
    """One stream of which signals are asked for, and those signals."""

    match: Match
    columns: tuple[Column, ...]
    codec: Codec
    tally: MessageTally


@dataclass(eq=False)
class Series:
    """Signals to decode from a capture: take all :meth:`pieces` once, then read the report."""

    messages: Messages
    matching: Matching
    layout: Layout
    grid: Grid
    clock: Clock
    _wanted: tuple[_Wanted, ...]
    rows: int = field(default=0, init=False)
    """Rows given so far."""

    @property
    def columns(self) -> tuple[Column, ...]:
        """The signals, in column order."""
        return tuple(column for w in self._wanted for column in w.columns)

    @property
    def frames(self) -> int:
        """Frames that carry the signals."""
        return sum(len(w.match.rows) for w in self._wanted)

    def tallies(self) -> tuple[MessageTally, ...]:
        """Counts per message, complete once all pieces have been taken."""
        return tuple(w.tally for w in self._wanted)

    def findings(self) -> tuple[Finding, ...]:
        """What decoding had to note, complete once all pieces have been taken."""
        found = decode_findings(self.tallies(), self.matching, as_float=self.layout == "long")
        return (*found, *transport_findings(self.messages.parts, self.clock.origin_ns))

    def as_dict(self) -> dict[str, Any]:
        """What became of the frames, in plain values for JSON; complete once all pieces are taken.

        The findings stand apart: see :meth:`findings`.
        """
        origin_ns = self.clock.origin_ns
        return {
            "layout": self.layout,
            "hold_rule": self.grid.rule if self.layout == "wide" else None,
            "origin_ns": origin_ns,
            "rows": self.rows,
            "signals": [c.label for c in self.columns],
            "messages": [t.as_dict() for t in self.tallies()],
            "transport": [
                tally.as_dict(origin_ns)
                for part in self.messages.parts
                for tally in tallies(part.sessions)
            ],
            "unknown_identifiers": [
                {"network": k.network, "identifier": str(k).split("/", 1)[1], "frames": n}
                for k, n in self.matching.unknown.items()
            ],
        }

    def schema(self) -> Any:
        """The pyarrow schema of every piece."""
        if self.layout == "long":
            return long_schema(self.clock)
        return wide_schema(self.columns, self.clock)

    def pieces(self) -> Iterator[tuple[Any, int]]:
        """(pyarrow table, frames done so far) for each window, in time order."""
        done = 0
        holder = Holder(self.columns, self.grid, self.clock)
        for begin, end in pairwise(self._borders()):
            received: list[Received] = []
            for wanted in self._wanted:
                rows = rows_within(self.messages, wanted.match.rows, begin, end)
                if not len(rows):
                    continue
                table, rows = self.messages.pick(rows)
                message = wanted.codec.decode(table, rows)
                wanted.tally.add(message, table.length[rows])
                done += len(rows)
                received += [
                    Received(c, message.time_ns, message[c.address.signal]) for c in wanted.columns
                ]
            if self.layout == "long":
                piece = long_table(received, self.clock)
            else:
                piece = holder.table(received, *self._believable(begin, end))
            self.rows += piece.num_rows
            yield piece, done

    def _borders(self) -> list[int]:
        """Times between windows of about :data:`VALUES_AT_ONCE` values or cells."""
        runs = [w.match.rows for w in self._wanted]
        columns = max(1, len(self.columns))
        if self.layout == "wide" and self.grid.every_ns is None:
            return window_borders(self.messages, runs, max(1, VALUES_AT_ONCE // columns))
        values = sum(len(w.match.rows) * len(w.columns) for w in self._wanted)
        a_frame = max(1, values // max(1, self.frames))
        borders = window_borders(self.messages, runs, max(1, VALUES_AT_ONCE // a_frame))
        if self.grid.every_ns is None or not borders:
            return borders
        # The grid spans the capture; a fine one has more rows than frames: cut by time as well.
        first, last = self.messages.frames.believable
        step = max(1, VALUES_AT_ONCE // columns) * self.grid.every_ns
        return sorted({*borders, first, last + 1, *range(first + step, last, step)})

    def _believable(self, begin: int, end: int) -> tuple[int, int]:
        """A window without times that a stale frame or a wrong clock made (regular grid only)."""
        if self.grid.every_ns is None:
            return begin, end
        first, last = self.messages.frames.believable
        return min(max(begin, first), last + 1), min(max(end, first), last + 1)


def decode_series(
    table: FrameTable | Messages,
    vehicle: Vehicle,
    addresses: Iterable[SignalAddress] | None = None,
    *,
    layout: Layout = "long",
    grid: Grid = _AS_RECEIVED,
    absolute: bool = False,
) -> Series:
    """Prepare decoding ``addresses`` (every signal when ``None``) from ``table``.

    What it carries in several frames is put together first, as far as the plan tells; a table where
    that is done already is taken as it is.

    ``absolute`` gives times as UTC instead of seconds since the capture's beginning. ``UsageError``
    when its times count from no known date, when a grid is asked of the long layout, or when the
    grid would have more than :data:`MOST_ROWS` rows.
    """
    messages = table if isinstance(table, Messages) else put_together(table, vehicle)
    table = messages.frames
    if absolute and not table.epoch:
        raise UsageError("the times of this capture count from the recorder's start, not a date")
    if layout == "long" and grid != _AS_RECEIVED:
        raise UsageError("a grid and a hold limit belong to the wide layout")
    if grid.every_ns and table.span_ns // grid.every_ns >= MOST_ROWS:
        raise UsageError(
            f"a row every {grid.every_ns / 1e9:g} s would make {table.span_ns // grid.every_ns:,} "
            f"rows; {MOST_ROWS:,} at most"
        )
    matching = match_frames(messages, vehicle)
    names: dict[tuple[str, str, str], dict[str, None]] = defaultdict(dict)
    for address in addresses if addresses is not None else (a for a, _, _ in vehicle.signals()):
        names[address[:3]][address.signal] = None
    wanted = []
    for match in matching.matches:
        stream = match.stream
        chosen = names.get(stream.path, {})
        if chosen:
            columns = tuple(Column(stream.address(n), stream.message.signal(n)) for n in chosen)
            codec = Codec(stream.message, tuple(chosen))
            wanted.append(_Wanted(match, columns, codec, MessageTally(match)))
    clock = Clock(table.origin_ns, absolute)
    return Series(messages, matching, layout, grid, clock, tuple(wanted))


def decode_table(
    table: FrameTable | Messages,
    vehicle: Vehicle,
    addresses: Iterable[SignalAddress] | None = None,
    *,
    layout: Layout = "long",
    grid: Grid = _AS_RECEIVED,
    absolute: bool = False,
) -> DataFrame:
    """All values at once as a pandas ``DataFrame``; arguments as for :func:`decode_series`.

    Whole numbers stay whole: columns of the wide layout with gaps are pandas' ``Int64``/``UInt64``.
    """
    return frame_of_series(
        decode_series(table, vehicle, addresses, layout=layout, grid=grid, absolute=absolute)
    )


def frame_of_series(series: Series) -> DataFrame:
    """All pieces of a series at once, see :func:`decode_table`."""
    import pandas as pd
    import pyarrow as pa

    pieces = [piece for piece, _ in series.pieces()]
    joined = pa.concat_tables(pieces) if pieces else series.schema().empty_table()
    whole = {pa.int64(): pd.Int64Dtype(), pa.uint64(): pd.UInt64Dtype()}
    frame: DataFrame = joined.unify_dictionaries().to_pandas(types_mapper=whole.get)
    return frame
