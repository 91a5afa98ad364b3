"""The workbench on one identifier of a capture: its payloads, a field of them, a known signal."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from busplan.board.quantities import Quantities
from busplan.board.resolve import Names
from busplan.definitions.model import Message, Signal
from busplan.errors import UsageError
from busplan.frames.columns import F64, I64, U8
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.kinds import REMOTE
from busplan.plan.paper_text import paper_text
from busplan.plan.problems import suggestion
from busplan.replay.replay import Replay
from busplan.replay.track import Track
from busplan.traffic.survey import survey_identifier
from busplan.traffic.workbench import WIDEST, Field, HeldAgainst, bit_moves, confirm, hold_against

MOST = 200_000
"""Frames that are looked at; of more the first ones of the span."""


@dataclass(frozen=True, slots=True)
class Offer:
    """A field worth looking at, and why."""

    field: Field
    told: str


@dataclass(frozen=True, eq=False)
class Bench:
    """Frames of one identifier, of their commonest length: times and payloads (n, bytes)."""

    replay: Replay
    key: FrameKey
    time_ns: I64
    sample: U8
    left_out: int
    beyond: int = 0
    """Frames that came after the last one that is looked at."""

    @property
    def width(self) -> int:
        """Bytes of a payload."""
        return int(self.sample.shape[1])

    @property
    def label(self) -> str:
        """Network and identifier."""
        return f"{self.key.network}/{format_identifier(self.key.identifier, self.key.extended)}"

    @cached_property
    def moves(self) -> F64:
        """How often each bit moves."""
        return bit_moves(self.sample)

    @property
    def message(self) -> Message | None:
        """What a definition says of it."""
        number = self.replay.lines.number.get(self.key)
        return None if number is None else self.replay.lines.lines[number].message

    def values(self, field: Field) -> F64:
        """A field in every frame."""
        return field.of(self.sample)

    def track(self, field: Field) -> Track:
        """A field as a signal that can be drawn."""
        gaps = np.diff(self.time_ns)
        allowed = 2.5 * float(np.median(gaps)) if len(gaps) else float("inf")
        return Track(
            name=str(field),
            unit="",
            time_ns=self.time_ns,
            value=self.values(field),
            allowed_ns=max(allowed, 1e9),
            step=1.0,
        )

    @cached_property
    def offers(self) -> tuple[Offer, ...]:
        """Fields worth looking at: those of the definition, else those that look like a number."""
        if self.message is not None:
            return tuple(
                Offer(field, s.name)
                for s in self.message.signals
                if (field := Field(s.start, s.length, s.big_endian, s.signed)).fits(self.width)
            )
        table, rows = self.replay.index.messages.pick(self.replay.index.messages.groups[self.key])
        found = survey_identifier(table, self.key, rows).values
        fields = [(Field(v.start, v.length, v.big_endian, v.signed), v.page) for v in found]
        return tuple(
            Offer(field, "looks like a number" if page is None else f"on page {page}")
            for field, page in fields
            if field.fits(self.width)
        )

    def known_track(self, selector: str) -> Track:
        """A signal of the plan; ``UsageError`` when it is none or never came."""
        names = Names(self.replay.vehicle)
        subjects = names.subjects(selector)
        if len(subjects) != 1:
            said = f"names {len(subjects)} signals; one is needed" if subjects else "is no signal"
            raise UsageError(f'"{selector}" {said}{"" if subjects else names.near(selector)}')
        track = Quantities(self.replay).track(subjects[0])
        if track is None:
            raise UsageError(f'"{selector}" never came')
        return track

    def known(self, selector: str) -> F64:
        """Such a signal held onto the frames' times; NaN where it has no value."""
        return self.known_track(selector).held(self.time_ns)

    def held_against(self, selector: str, second: Bench | None = None) -> HeldAgainst:
        """Every field held against a known signal, confirmed by a second capture if given."""
        held = hold_against(self.sample, self.known(selector))
        if second is not None and second.width == self.width:
            try:
                known = second.known(selector)
            except UsageError:
                known = np.full(len(second.time_ns), np.nan)
            held = confirm(held, second.sample, known)
        return held

    def as_dict(self, field: Field | None, held: HeldAgainst | None) -> dict[str, Any]:
        """Plain values for JSON."""
        value = None if field is None else self.values(field)
        return {
            "identifier": self.label,
            "defined": None if self.message is None else self.message.name,
            "frames": len(self.time_ns),
            "frames_of_other_lengths": self.left_out,
            "frames_beyond_those_looked_at": self.beyond,
            "bytes": self.width,
            "bit_moves": [round(float(m), 6) for m in self.moves],
            "field": None
            if field is None or value is None
            else {
                "start": field.start,
                "length": field.length,
                "big_endian": field.big_endian,
                "signed": field.signed,
                "lowest": float(value.min()),
                "highest": float(value.max()),
            },
            "against": None if held is None else held.as_dict(),
        }


def open_bench(
    replay: Replay,
    identifier: int,
    extended: bool,
    *,
    network: str = "",
    within_s: tuple[float, float] | None = None,
) -> Bench:
    """The frames of an identifier; ``UsageError`` when it is not in the capture, or in several."""
    groups = replay.index.messages.groups
    found = [
        k
        for k in groups
        if (k.identifier, k.extended) == (identifier, extended) and network in ("", k.network)
    ]
    label = format_identifier(identifier, extended)
    if not found:
        known = [format_identifier(k.identifier, k.extended) for k in groups]
        raise UsageError(f"{label} is not in this capture{suggestion(label, known, 'identifier')}")
    if len(found) > 1:
        where = ", ".join(k.network for k in found)
        raise UsageError(f"{label} is on {where}: say which, NETWORK/{label}")
    table, rows = replay.index.messages.pick(groups[found[0]])
    time_ns = table.time_ns[rows] - replay.index.origin_ns
    data = (table.flags[rows] & REMOTE) == 0
    if within_s is not None:
        a, b = sorted(within_s)
        data &= (time_ns >= a * 1e9) & (time_ns <= b * 1e9)
    beyond = max(int(data.sum()) - MOST, 0)
    rows, time_ns = rows[data][:MOST], time_ns[data][:MOST]
    if not len(rows):
        raise UsageError(f"{label}: no data frame of it came then")
    sizes, counts = np.unique(table.length[rows], return_counts=True)
    width = min(int(sizes[counts.argmax()]), WIDEST)
    if not width:
        raise UsageError(f"{label}: its frames carry no byte")
    good = table.length[rows] == sizes[counts.argmax()]
    sample = table.payload_matrix(rows[good], width)
    return Bench(replay, found[0], time_ns[good], sample, int((~good).sum()), beyond)


def bench_on(replay: Replay, key: FrameKey, within_s: tuple[float, float] | None = None) -> Bench:
    """The frames of one key; ``UsageError`` as :func:`open_bench`."""
    network = key.network
    return open_bench(replay, key.identifier, key.extended, network=network, within_s=within_s)


def draft_text(bench: Bench, field: Field, held: HeldAgainst | None) -> str:
    """The field as a draft of a part's message, marked as guessed and by what."""
    fit = next((f for f in held.fits if f.field == field), None) if held else None
    sure = 0.1 if fit is None else min(abs(fit.r), 0.99) * (1.0 if held and held.found else 0.5)
    signal = Signal(
        name="Guessed",
        start=field.start,
        length=field.length,
        big_endian=field.big_endian,
        signed=field.signed,
        scale=1 if fit is None else _short(fit.scale),
        offset=0 if fit is None else _short(fit.offset),
    )
    key = bench.key
    label = format_identifier(key.identifier, key.extended)
    message = Message(
        name=f"Guessed_{label}",
        identifier=key.identifier,
        extended=key.extended,
        length=bench.width,
        signals=(signal,),
        senders=("part_name",),
        confidence=round(sure, 3),
    )
    told = "chosen by hand" if fit is None else f"r = {fit.r:.4f}"
    doubts = f"; {'; '.join(held.doubts)}" if held and held.doubts else ""
    return (
        f"# Guessed by busplan from {bench.replay.source}: {told}{doubts}.\n"
        "# A draft: give part and names their own, and take confidence out once it is confirmed.\n"
        + paper_text("part_name", [message])
    ).replace("\r", " ")


def _short(number: float) -> float:
    """Four digits: a guess is no better."""
    return float(f"{number:.4g}")
