"""Decoded signals as the columns of one pyarrow table: the long and the wide layout."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.decode.codec import DecodedSignal
from busplan.decode.layout import value_dtype
from busplan.definitions.model import Signal
from busplan.frames.columns import I64, different
from busplan.plan.vehicle import SignalAddress

HOLD_RULE = (
    "each cell holds the last value received up to its time; it is empty before the first one"
)


class Column(NamedTuple):
    """A signal to show and where it belongs."""

    address: SignalAddress
    signal: Signal

    @property
    def label(self) -> str:
        """``network/node/message/signal [unit]``, without brackets when there is no unit."""
        unit = self.signal.unit
        return f"{self.address} [{unit}]" if unit else str(self.address)


class Received(NamedTuple):
    """The frames of one column in one window."""

    column: Column
    time_ns: I64
    decoded: DecodedSignal


@dataclass(frozen=True)
class Clock:
    """How times are written: seconds since ``origin_ns``, or as UTC."""

    origin_ns: int
    absolute: bool = False

    def field(self) -> Any:
        """The pyarrow field of the time column."""
        import pyarrow as pa

        if self.absolute:
            return pa.field("time", pa.timestamp("ns", "UTC"))
        return pa.field("time_s", pa.float64())

    def column(self, time_ns: I64) -> Any:
        """Times as a pyarrow array."""
        import pyarrow as pa

        if self.absolute:
            return pa.array(time_ns).cast(pa.timestamp("ns", "UTC"))
        return pa.array((time_ns - self.origin_ns) / 1e9)


@dataclass(frozen=True)
class Grid:
    """The times of the wide layout.

    ``every_ns`` makes a regular grid from the capture's beginning on; without it every time at
    which one of the signals came is a row. ``hold_ns`` empties cells whose value is older.
    """

    every_ns: int | None = None
    hold_ns: int | None = None

    @property
    def rule(self) -> str:
        """The hold rule in words."""
        if self.hold_ns is None:
            return HOLD_RULE
        return f"{HOLD_RULE} and when the last one is older than {self.hold_ns / 1e9:g} s"

    def times(self, received: Iterable[Received], begin: int, end: int, origin: int) -> I64:
        """The rows in ``begin <= time < end``; the regular grid counts from ``origin``."""
        if self.every_ns is None:
            parts = [r.time_ns[r.decoded.present] for r in received]
            return different(np.concatenate(parts)) if parts else np.empty(0, np.int64)
        first, stop = (-(-(t - origin) // self.every_ns) for t in (begin, end))
        return origin + self.every_ns * np.arange(first, stop, dtype=np.int64)


def long_schema(clock: Clock) -> Any:
    """One row for each value received; ``text`` is its name in its value table, or the text that a
    text signal holds instead of a ``value``."""
    import pyarrow as pa

    word = pa.dictionary(pa.int32(), pa.string())
    names = [(n, word) for n in ("network", "node", "message", "signal")]
    return pa.schema(
        [clock.field(), *names, ("value", pa.float64()), ("unit", word), ("text", word)]
    )


def long_table(received: Sequence[Received], clock: Clock) -> Any:
    """All values of a window by time; equal times keep the order of the columns."""
    import pyarrow as pa

    schema = long_schema(clock)
    if not received:
        return schema.empty_table()
    texts: dict[str, int] = {}
    times, values, numbers, codes = [], [], [], []
    for number, (_, time_ns, decoded) in enumerate(received):
        keep = decoded.present
        times.append(time_ns[keep])
        values.append(_as_numbers(decoded)[keep])
        numbers.append(np.full(len(times[-1]), number, np.int32))
        codes.append(_text_codes(decoded, texts)[keep])
    order = np.argsort(np.concatenate(times), kind="stable")
    number_of, code = np.concatenate(numbers)[order], np.concatenate(codes)[order]

    def words(of_column: Sequence[str]) -> Any:
        kinds = list(dict.fromkeys(of_column))
        index = np.array([kinds.index(word) for word in of_column], np.int32)
        return pa.DictionaryArray.from_arrays(pa.array(index[number_of]), pa.array(kinds))

    columns = [r.column for r in received]
    of_text = np.array([c.signal.is_text for c in columns])[number_of]
    return pa.table(
        [
            clock.column(np.concatenate(times)[order]),
            *(words([c.address[step] for c in columns]) for step in range(4)),
            pa.array(np.concatenate(values)[order], mask=of_text),
            words([c.signal.unit for c in columns]),
            pa.DictionaryArray.from_arrays(
                pa.array(code, mask=code < 0), pa.array(list(texts), pa.string())
            ),
        ],
        schema=schema,
    )


def _as_numbers(decoded: DecodedSignal) -> npt.NDArray[np.float64]:
    """The values as float64; 0 for texts."""
    if decoded.signal.is_text:
        return np.zeros(len(decoded.values))
    return decoded.values.astype(np.float64)


def _text_codes(decoded: DecodedSignal, texts: dict[str, int]) -> npt.NDArray[np.int32]:
    """For each value the number of its name in ``texts`` (which grows), -1 where it has none."""
    number, names = decoded.names()
    if not names:
        return number
    lookup = np.array([texts.setdefault(name, len(texts)) for name in names] + [-1], np.int32)
    return lookup[number]


def wide_schema(columns: Sequence[Column], clock: Clock) -> Any:
    """One column for each signal, in the type of its values."""
    import pyarrow as pa

    return pa.schema([clock.field(), *((c.label, _cell_type(c.signal)) for c in columns)])


def _cell_type(signal: Signal) -> Any:
    """The pyarrow type of a signal's column: that of its values, a dictionary for texts."""
    import pyarrow as pa

    if signal.is_text:
        return pa.dictionary(pa.int32(), pa.string())
    return pa.from_numpy_dtype(value_dtype(signal))


class Holder:
    """Makes the wide tables of one window after another, carrying each signal's last value."""

    def __init__(self, columns: Sequence[Column], grid: Grid, clock: Clock) -> None:
        self._columns, self._grid, self._clock = columns, grid, clock
        self._last: dict[SignalAddress, tuple[I64, Any]] = {}

    def table(self, received: Sequence[Received], begin: int, end: int) -> Any:
        """The rows of the window ``begin <= time < end``."""
        import pyarrow as pa

        news = {r.column.address: r for r in received}
        times = self._grid.times(received, begin, end, self._clock.origin_ns)
        arrays = [self._clock.column(times)]
        for column in self._columns:
            values, empty = self._held(column, news.get(column.address), times)
            if column.signal.is_text:
                arrays.append(pa.array(values, pa.string(), mask=empty).dictionary_encode())
            else:
                arrays.append(pa.array(values, mask=empty))
        return pa.table(arrays, schema=wide_schema(self._columns, self._clock))

    def _held(
        self, column: Column, news: Received | None, times: I64
    ) -> tuple[Any, npt.NDArray[np.bool_]]:
        """Values at ``times`` and which of them are empty."""
        dtype = value_dtype(column.signal)
        when, values = self._last.get(column.address, (np.empty(0, np.int64), np.empty(0, dtype)))
        if news is not None:
            present = news.decoded.present
            when = np.concatenate([when, news.time_ns[present]])
            values = np.concatenate([values, news.decoded.values[present]])
        if not len(when):
            nothing: Any = "" if column.signal.is_text else 0
            return np.full(len(times), nothing, dtype), np.ones(len(times), np.bool_)
        self._last[column.address] = (when[-1:], values[-1:])
        at = np.searchsorted(when, times, side="right") - 1
        empty = at < 0
        at = np.maximum(at, 0)
        if self._grid.hold_ns is not None:
            empty |= times - when[at] > self._grid.hold_ns
        return values[at], empty
