"""CSV files of any layout: a line a frame, columns told by the user or found by their headings.

Times are seconds, or what their heading or the user says, or dates; without a date they count from
the file's own start. Which channel a frame came from is kept as the file has it, a number ``1`` as
``can1``. Lines of the usual shape are read by a kernel, all others with care; what cannot be read
sets its line aside, counted, as in every other reader.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path

import numpy as np

from busplan.capture.ahead import in_order
from busplan.capture.blocks import Reach, byte_blocks, numbered, whole_lines
from busplan.capture.chunks import NOTHING, ChannelNames, Chunk, Progress, put_among
from busplan.capture.csv_columns import NO, SENT_WORDS, YES, layout_of, parse_columns
from busplan.capture.gather import NO_CHANNEL, Gatherer
from busplan.capture.object_frames import nanoseconds
from busplan.capture.table_rows import Rows, WrongLineError
from busplan.capture.tally import Tally
from busplan.frames.columns import I64, U8

LOOKED_INTO = 2000
"""Lines from which it is told how numbers are written."""
_LOOKED_INTO_BYTES = 1 << 20
_BLOCK = 1 << 20
"""Bytes handled at a time; each line may be one for the careful reader, which costs 200 bytes."""
FEW = LOOKED_INTO
"""A file of fewer lines is read with care only: that takes less time than getting the kernel."""
_WORD = 8
"""Longest word the kernel knows [bytes]."""


def table_chunks(
    path: Path,
    tally: Tally,
    names: ChannelNames,
    progress: Progress | None = None,
    *,
    columns: str = "",
) -> Iterator[Chunk]:
    """The frames of a CSV file; ``columns`` as the user types them, empty to find them."""
    told = parse_columns(columns) if columns else {}
    begun: list[U8] = []
    settled: list[Rows] = []

    def rows() -> Rows:
        """How lines are read, settled by the first of them."""
        if not settled:
            lines = [line for _, line in zip(range(LOOKED_INTO), _texts(begun), strict=False)]
            settled.append(Rows(layout_of(lines, told, str(path)), lines, str(path)))
        return settled[0]

    def is_whole(line: bytes) -> bool:
        return bool(line) and rows().ends(line)

    reach = Reach()
    blocks = reach.noted(
        whole_lines(byte_blocks(path, tally, _BLOCK, reach.consumed), tally, whole=is_whole)
    )
    lines = size = 0
    for block in blocks:
        begun.append(block)
        lines += int((block == 10).sum())
        size += len(block)
        if lines >= LOOKED_INTO or size >= _LOOKED_INTO_BYTES:
            break
    careful = _Careful(rows(), tally, names)
    small = lines < FEW and size < _LOOKED_INTO_BYTES
    parse = _leave if small else careful.parse
    frames = 0
    first = _without_lines(begun, careful.heading)
    tally.entries = careful.heading
    for parsed in in_order(chain(first, blocks), parse):
        done = reach.next_end()
        chunk = careful.join(parsed)
        frames += len(chunk)
        yield chunk
        if progress:
            progress(done, frames)
    tally.close_lines()
    careful.finish()


def _texts(blocks: list[U8]) -> Iterator[str]:
    return (text for _, text in numbered(iter(blocks)))


def _without_lines(blocks: list[U8], lines: int) -> Iterator[U8]:
    """The blocks without so many lines at their beginning."""
    for block in blocks:
        ends = np.flatnonzero(block == 10) if lines else ()
        if len(ends) < lines:
            lines -= len(ends)
            yield block[:0]
            continue
        yield block[ends[lines - 1] + 1 :] if lines else block
        lines = 0


@dataclass(frozen=True, eq=False)
class _Parsed:
    """What the kernel made of a block.

    ``others`` are the lines left: their text, line number in the block and frames before them.
    """

    columns: Chunk
    channels: list[str]
    lines: int
    others: list[tuple[str, int, int]]
    counts: I64


class _Careful:
    """Reads the lines that the kernel left, and puts everything in its place."""

    def __init__(self, rows: Rows, tally: Tally, names: ChannelNames) -> None:
        if not rows.knows_channels:
            tally.channels_lost()
        self.heading = rows.heading
        self.parse = partial(_parse, rows.form(), rows.scale, rows.knows_channels, _words())
        self._rows, self._tally, self._names = rows, tally, names
        self._gatherer = Gatherer(tally, names, text=True, knows_fd=False)

    def join(self, parsed: _Parsed) -> Chunk:
        """The frames of a block, those of its other lines in their places."""
        fast = parsed.columns
        zoneless, assumed, fd = (int(n) for n in parsed.counts)
        self._rows.no_zone |= zoneless > 0
        self._rows.width_assumed += assumed
        self._gatherer.fd_assumed += fd
        lookup = [self._names.index(self._rows.channel(name)) for name in parsed.channels]
        if len(fast):
            fast.network[:] = np.array(lookup, np.uint16)[fast.network]
        slow, before = self._frames(parsed.others)
        self._tally.entries += parsed.lines
        return put_among(fast, slow, before) if len(slow) else fast

    def _frames(self, lines: list[tuple[str, int, int]]) -> tuple[Chunk, I64]:
        """The frames on these lines, and how many of the block come before each."""
        begin, places = self._tally.entries, []
        for text, line, before in lines:
            number = begin + line
            if not text.strip() or self._rows.is_heading(number, text):
                continue
            if text.startswith("#"):
                self._tally.skip(number)
                continue
            known = len(self._gatherer)
            try:
                self._gatherer.add_fields(*self._rows.frame(text), number)
            except WrongLineError as wrong:
                self._tally.set_aside(str(wrong), number)
            if len(self._gatherer) > known:
                places.append(before)
                if self._rows.goes_on(text):
                    self._tally.join(number)
        return self._gatherer.chunk(), np.array(places, np.int64)

    def finish(self) -> None:
        """Say what was decided for the whole file."""
        self._rows.tell(self._tally)
        self._gatherer.remark()


def _leave(text: U8) -> _Parsed:
    """A block of which every line is left."""
    lines = text.tobytes().decode("utf-8", "replace").split("\n")[:-1]
    others = [(line, number, 0) for number, line in enumerate(lines, start=1)]
    return _Parsed(NOTHING, [], len(lines), others, np.zeros(3, np.int64))


def _words() -> np.ndarray:
    """Yes, no and sent in all spellings, as the kernel compares them."""
    table = np.zeros((3, max(map(len, (YES, NO, SENT_WORDS)))), np.uint64)
    for row, words in zip(table, (YES, NO, SENT_WORDS), strict=True):
        short = [word.encode() for word in sorted(words, key=len) if 0 < len(word) <= _WORD]
        row[: len(short)] = [int.from_bytes(word, "little") for word in short]
    return table


def _parse(form: I64, scale: float, channels: bool, words: np.ndarray, text: U8) -> _Parsed:
    from busplan.capture import tablekernel as kernel
    from busplan.capture.textkernels import CHANNEL_ROOM, NAME_ROOM

    room = int((text == 10).sum())
    time_s, network = np.empty(room, np.float64), np.zeros(room, np.uint16)
    identifier, flags = np.empty(room, np.uint32), np.empty(room, np.uint8)
    length, payload = np.empty(room, np.uint8), np.empty(len(text) + 64, np.uint8)
    name_bytes = np.zeros((CHANNEL_ROOM, NAME_ROOM), np.uint8)
    name_length = np.zeros(CHANNEL_ROOM, np.int64)
    others, counts = np.empty((room, 4), np.int64), np.zeros(3, np.int64)
    frames, used, lines, other, known = kernel.parse_rows(
        text,
        form,
        scale,
        words,
        time_s,
        network,
        identifier,
        flags,
        length,
        payload,
        name_bytes,
        name_length,
        others,
        counts,
    )
    return _Parsed(
        Chunk(
            nanoseconds(time_s[:frames]),
            network[:frames].copy(),
            identifier[:frames].copy(),
            flags[:frames].copy(),
            length[:frames].copy(),
            payload[:used].copy(),
        ),
        [name_bytes[i, : name_length[i]].tobytes().decode() for i in range(known)]
        if channels
        else [NO_CHANNEL],
        lines,
        [
            (text[first:end].tobytes().decode("utf-8", "replace"), int(line), int(before))
            for first, end, line, before in others[:other]
        ],
        counts,
    )
