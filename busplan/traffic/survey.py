"""What is on the wire, found without any definition.

Everything named *likely* is a guess from how payloads behave, for people to check. Guesses look at
up to ``SAMPLE`` consecutive frames of the commonest length; counts, lengths and changing bits look
at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from busplan.decode.protection import (
    FoundChecksum,
    FoundCounter,
    counter_candidates,
    find_checksum,
    find_counters,
    two_counters,
)
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64, U8, U32
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable
from busplan.traffic.clock_steps import rows_of_one_clock
from busplan.traffic.cycles import MeasuredCycle, measured_cycle
from busplan.traffic.fields import LikelyValue, likely_values
from busplan.traffic.likely_text import LikelyText, likely_texts
from busplan.traffic.pages import Selector, find_selector, values_by_page
from busplan.wording import plain

SAMPLE = 4096
"""Frames looked at closely."""
WIDEST = 2048
"""Bytes of a message that are looked at; only those of J1939 transport are longer than 64."""
_STEP = 1 << 24
"""Bytes held at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyedIdentifier:
    """What one identifier does. ``lengths`` maps payload length to frames, commonest first.

    ``changing`` holds, for each byte, the bits that were seen both set and clear.
    """

    key: FrameKey
    frames: int
    remote_frames: int
    first_ns: int
    last_ns: int
    cycle: MeasuredCycle | None
    lengths: dict[int, int]
    changing: bytes
    counters: tuple[FoundCounter, ...]
    checksum: FoundChecksum | None
    values: tuple[LikelyValue, ...]
    texts: tuple[LikelyText, ...]
    selector: Selector | None
    """What likely says which page a frame carries; values then stand page by page."""
    two_senders: str | None
    """Why two senders are likely; ``None`` when nothing hints at it."""

    @property
    def label(self) -> str:
        """The identifier as the trade writes it."""
        return format_identifier(self.key.identifier, self.key.extended)

    @property
    def likely(self) -> list[str]:
        """What the payload likely holds, in words."""
        said = []
        for counter in self.counters:
            byte, bit = divmod(counter.start, 8)
            part = "" if counter.length == 8 else f", bits {bit}-{bit + counter.length - 1}"
            said.append(f"byte {byte}{part}: counter")
        if self.checksum:
            said.append(f"byte {self.checksum.position}: checksum, {self.checksum.kind.name}")
        if self.selector:
            said.append(f"{self.selector}: says which page the frame carries")
        return said + [str(one) for one in (*self.texts, *self.values)]


def survey(table: FrameTable) -> tuple[SurveyedIdentifier, ...]:
    """Every identifier of every network, in ascending order."""
    return tuple(survey_identifier(table, key, rows) for key, rows in table.groups.items())


def survey_identifier(table: FrameTable, key: FrameKey, rows: I64) -> SurveyedIdentifier:
    """What the frames ``rows`` of one identifier, in time order, do."""
    times = table.time_ns[rows]
    first, last = table.believable
    steady = rows_of_one_clock(table, rows)
    trusted = table.time_ns[steady]
    trusted = trusted[slice(*np.searchsorted(trusted, (first, last + 1)))]
    remote = (table.flags[rows] & REMOTE) != 0
    data_rows = steady[(table.flags[steady] & REMOTE) == 0] if remote.any() else steady
    data_lengths = table.length[data_rows]
    sizes, counts = np.unique(data_lengths, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    lengths = {int(sizes[i]): int(counts[i]) for i in order}
    width = int(sizes[order[0]]) if len(order) else 0
    enough = max(64, min(SAMPLE, 64 * SAMPLE // max(width, 1)))
    sample_rows = data_rows[data_lengths == width][:enough]
    sample = table.payload_matrix(sample_rows, min(width, WIDEST))
    counters = find_counters(sample) if len(sample) else ()
    checksum = find_checksum(sample) if len(sample) else None
    texts = tuple(likely_texts(sample))
    claimed = {bit for t in texts for bit in range(t.first * 8, t.last * 8 + 8)}
    if checksum:
        claimed |= set(range(checksum.position * 8, checksum.position * 8 + 8))
    two_senders = likely_two_senders(trusted, data_lengths, sample, counters)
    # Two senders look like two pages and are none.
    selector = find_selector(sample, claimed) if two_senders is None else None
    if selector is not None:
        counters = tuple(c for c in counters if not selector.bits & _bits_of(c))
    for counter in counters:
        claimed |= _bits_of(counter)
    values = (
        likely_values(sample, claimed)
        if selector is None
        else values_by_page(sample, selector, claimed)
    )
    return SurveyedIdentifier(
        key=key,
        frames=len(rows),
        remote_frames=int(remote.sum()),
        first_ns=int(times[0]),
        last_ns=int(times[-1]),
        cycle=measured_cycle(trusted),
        lengths=lengths,
        changing=changing_bits(table, data_rows, min(max(lengths, default=0), WIDEST)),
        counters=counters,
        checksum=checksum,
        values=tuple(values),
        texts=texts,
        selector=selector,
        two_senders=two_senders,
    )


def _bits_of(counter: FoundCounter) -> set[int]:
    return set(range(counter.start, counter.start + counter.length))


def without_guesses(one: SurveyedIdentifier) -> SurveyedIdentifier:
    """The same without what its payloads likely hold, because it is known better."""
    return replace(
        one, counters=(), checksum=None, values=(), texts=(), selector=None, two_senders=None
    )


def changing_bits(table: FrameTable, rows: I64, width: int) -> bytes:
    """For each byte up to ``width`` the bits seen both set and clear, where the byte was sent."""
    ones, zeros = np.zeros(width, np.uint8), np.zeros(width, np.uint8)
    columns = np.arange(width)
    step = _STEP // max(width, 64)
    for a in range(0, len(rows), step):
        part = rows[a : a + step]
        payload = table.payload_matrix(part, width)
        ones |= np.bitwise_or.reduce(payload, axis=0)
        lengths = table.length[part]
        if int(lengths.min()) < width:
            payload[columns[None, :] >= lengths[:, None]] = 0xFF
        zeros |= ~np.bitwise_and.reduce(payload, axis=0)
    return (ones & zeros).tobytes()


def likely_two_senders(
    times: I64, lengths: U8 | U32, sample: U8, counters: tuple[FoundCounter, ...]
) -> str | None:
    """Why these frames look like two senders taking turns, or ``None``.

    Two counters, in turns or each at a pace of its own; two lengths, likewise; or gaps that differ
    while every second frame keeps a steady period, unless a counter goes on through all of them.
    """
    if len(times) < 32:
        return None
    if not counters and len(sample) >= 32:
        halves = [find_counters(sample[i::2]) for i in (0, 1)]
        shared = [c for c in halves[0] if c in halves[1] and not _creeps(sample, c)]
        if shared:
            byte = min(shared).start // 8
            return f"two counters take turns in byte {byte}"
        for field in counter_candidates(sample):
            if not _creeps(sample, field) and two_counters(field.of(sample), 1 << field.length):
                return f"two counters at different paces in byte {field.start // 8}"
    kinds = np.unique(lengths)
    if len(kinds) == 2:
        turns = float((lengths[1:] != lengths[:-1]).mean())
        if turns > 0.9:
            return f"frames of {kinds[0]} and {kinds[1]} bytes take turns"
        if len(times) == len(lengths) and _own_periods(times, lengths == kinds[0]):
            return f"frames of {kinds[0]} and of {kinds[1]} bytes keep a period each"
    single, double = np.diff(times), times[2:] - times[:-2]
    middle = float(np.median(double))
    if middle <= 0 or counters:
        return None
    steady = float(np.percentile(np.abs(double - middle), 90)) / middle
    uneven = float(np.percentile(np.abs(single - middle / 2), 50)) / (middle / 2)
    if steady < 0.05 and uneven > 0.2:
        return (
            f"every second frame keeps {plain(middle / 1e6)} ms while the gaps between are uneven"
        )
    return None


def _creeps(sample: U8, field: FoundCounter) -> bool:
    """Whether a field moves by one step at most from frame to frame: a slow value, not turns."""
    size, raw = 1 << field.length, field.of(sample)
    steps = np.diff(raw) % size
    steps[(raw[:-1] == size - 2) & (raw[1:] == 0)] = 1  # a counter that leaves out its top value
    return np.unique(steps).tolist() in ([0, 1], [0, size - 1])


def _own_periods(times: I64, first: npt.NDArray[np.bool_]) -> bool:
    """Whether frames of two kinds each keep a period, the one going on while the other is sent.

    One sender that now and then sends the other kind instead leaves a hole in the period.
    """
    rare, usual = sorted((times[first], times[~first]), key=len)
    if len(rare) < 16:
        return False
    for part in (rare, usual):
        gaps = np.diff(part)
        middle = float(np.median(gaps))
        if middle <= 0 or float(np.percentile(np.abs(gaps - middle), 90)) > 0.05 * middle:
            return False
    within = rare[(rare > usual[0]) & (rare < usual[-1])]
    if not len(within):
        return False  # one kind came after the other: one sender that changed
    after = np.searchsorted(usual, within)
    around = usual[after] - usual[after - 1]
    return float(np.percentile(around, 90)) < 1.5 * middle


def survey_findings(found: SurveyedIdentifier) -> list[Finding]:
    """What a survey has to warn of."""
    if found.two_senders is None:
        return []
    where = Where(network=found.key.network)
    return [two_senders_finding(where, str(found.key), found.two_senders, found.frames)]


def two_senders_finding(
    where: Where,
    name: str,
    hint: str,
    frames: int,
    why: str = "",
    action: str = "",
    *,
    weight: Weight = Weight.CAUTION,
) -> Finding:
    """That ``frames`` of ``name`` look as if two nodes had sent them, for the reason ``hint``.

    ``why`` and ``action`` replace the usual ones where the occasion asks for others.
    """
    return Finding(
        "two-senders-likely",
        weight,
        where,
        f"likely two senders of {name}: {hint}",
        why=why
        or "Two nodes that send one identifier at the same moment destroy each other's frames, "
        "and receivers mix their values.",
        action=action
        or "Unplug one of the nodes you suspect and look whether half the frames stay.",
        figures=(Figure("frames", frames),),
    )
