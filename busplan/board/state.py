"""A board at one moment: what each tile shows, how heavy it is, and what the band says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from busplan.board.alarms import Alarm
from busplan.board.limits import Limit
from busplan.board.model import Board, Boards, Tile
from busplan.board.quantities import Quantities, taken
from busplan.findings import Weight
from busplan.replay.track import NEVER_HELD, Held, Track


@dataclass(frozen=True, slots=True)
class Seen:
    """Somebody has seen the alarms of a subject that were raised up to a moment."""

    subject: str
    upto_ns: int
    by: str = ""
    shelved_ns: int | None = None
    """Until when it is put aside, ``None``: it is not."""


@dataclass(frozen=True, eq=False)
class Reading:
    """One subject at a moment. ``weight`` is that of its standing alarms, ``None`` without any.

    ``gone`` tells that an alarm was raised and is over, and nobody has seen it; ``fresh_alarm``
    that a standing one has not been seen yet.
    """

    subject: str
    label: str
    track: Track | None
    held: Held
    limits: tuple[Limit, ...]
    weight: Weight | None = None
    fresh_alarm: bool = False
    gone: Alarm | None = None
    aside: bool = False
    shelved: bool = False

    @property
    def missing(self) -> bool:
        """Whether no value stands for it now."""
        return not self.aside and not self.held.fresh

    def passed(self, limit: Limit) -> bool:
        """Whether the value lies beyond a limit now."""
        return self.held.fresh and not self.aside and limit.passed_by(self.held.value)


@dataclass(frozen=True, eq=False)
class TileState:
    """A tile at a moment."""

    tile: Tile
    title: str
    readings: tuple[Reading, ...]

    @cached_property
    def weight(self) -> Weight | None:
        """The heaviest standing alarm of what it shows."""
        return max((r.weight for r in self.readings if r.weight is not None), default=None)

    @property
    def fresh_alarm(self) -> bool:
        """Whether a standing alarm of its weight has not been seen."""
        return any(r.fresh_alarm for r in self.readings if r.weight == self.weight)

    @property
    def gone(self) -> Alarm | None:
        """An alarm that is over and that nobody has seen."""
        return next((r.gone for r in self.readings if r.gone is not None), None)

    @property
    def missing(self) -> bool:
        """Whether nothing of it has a value."""
        return bool(self.readings) and all(r.missing for r in self.readings)


@dataclass(frozen=True, eq=False)
class BoardState:
    """All tiles of one board, and what all limits of the file say.

    ``red`` and ``watch`` name the subjects with standing faults and cautions, ``without`` those
    shown or limited that have no value; each is named once, many of one tile together.
    ``lost_subjects`` are all that have none.
    """

    board: Board
    t_ns: int
    tiles: tuple[TileState, ...]
    red: tuple[str, ...]
    watch: tuple[str, ...]
    without: tuple[str, ...]
    lost_subjects: frozenset[str]
    gone: tuple[str, ...]
    judged: bool = True
    limited: bool = True
    """Whether there is any limit at all."""

    @property
    def lost(self) -> int:
        """How many have no value."""
        return len(self.lost_subjects)

    @property
    def word(self) -> str:
        """What the band says, most important first."""
        if self.red:
            return f"{len(self.red)} IN THE RED"
        if self.watch:
            return f"{len(self.watch)} TO WATCH"
        if self.without:
            return f"{self.lost} WITHOUT VALUES"
        if not self.judged:
            return "limits are being judged"
        return "all in range" if self.limited else "no limits"


def _gathered(labels: Sequence[str]) -> list[str]:
    """Names of what has no value; several cells and several sensors together, as tiles do."""
    told = []
    for kind in ("cell ", "sensor "):
        own = [name for name in labels if name.startswith(kind)]
        told += [f"{len(own)} {kind.strip()}s"] if len(own) > 1 else own
    return [*told, *(name for name in labels if not name.startswith(("cell ", "sensor ")))]


@dataclass(frozen=True, eq=False)
class Judged:
    """Boards with all alarms of a capture, ready for any moment."""

    boards: Boards
    quantities: Quantities
    alarms: tuple[Alarm, ...]
    seen: tuple[Seen, ...] = ()
    judged: bool = True
    """False while the alarms are still being worked out."""

    @cached_property
    def by_subject(self) -> Mapping[str, tuple[Alarm, ...]]:
        """Alarms of each subject, by the time they were raised."""
        found: dict[str, list[Alarm]] = {}
        for alarm in self.alarms:
            found.setdefault(alarm.limit.subject, []).append(alarm)
        return {subject: tuple(alarms) for subject, alarms in found.items()}

    @cached_property
    def limits(self) -> Mapping[str, tuple[Limit, ...]]:
        """Limits of each subject."""
        found: dict[str, list[Limit]] = {}
        for limit in self.boards.limits:
            found.setdefault(limit.subject, []).append(limit)
        return {subject: tuple(limits) for subject, limits in found.items()}

    @cached_property
    def _seen(self) -> Mapping[str, tuple[Seen, ...]]:
        found: dict[str, list[Seen]] = {}
        for each in self.seen:
            found.setdefault(each.subject, []).append(each)
        return {subject: tuple(each) for subject, each in found.items()}

    @cached_property
    def _labels(self) -> Mapping[str, str]:
        shown = [s for b in self.boards.boards for t in b.tiles for s in t.subjects]
        return self.quantities.labels([*shown, *self.limits])

    def label(self, subject: str) -> str:
        """What people call a subject; told apart from others of the same name."""
        return self._labels.get(subject) or self.quantities.label(subject)

    def at(self, board: Board, t_ns: int) -> BoardState:
        """A board at a moment."""
        tiles = tuple(self._tile(tile, t_ns) for tile in board.tiles)
        red, watch, gone = self.standing(t_ns)
        missing: dict[str, None] = {}
        subjects: set[str] = set()
        for tile in tiles:
            lost = [r for r in tile.readings if r.missing]
            subjects.update(r.subject for r in lost)
            subjects.update(tile.tile.unknown)
            if len(tile.readings) > 4 and lost:
                missing[f"{len(lost)} {tile.title}"] = None
            else:
                missing.update((r.label, None) for r in lost)
            missing.update((name, None) for name in tile.tile.unknown)
        unheard = self._unheard(tiles, t_ns)
        subjects.update(unheard)
        missing.update((name, None) for name in _gathered([self.label(s) for s in unheard]))
        return BoardState(
            board=board,
            t_ns=t_ns,
            tiles=tiles,
            red=red,
            watch=watch,
            without=tuple(missing),
            lost_subjects=frozenset(subjects),
            gone=gone,
            judged=self.judged,
            limited=bool(self.limits),
        )

    def _unheard(self, tiles: Sequence[TileState], t_ns: int) -> list[str]:
        """Subjects with a limit that always holds, on none of these tiles, without a value now."""
        if not self.judged:  # reading them all would keep the screens waiting
            return []
        shown = {r.subject for tile in tiles for r in tile.readings}
        found = []
        for subject, limits in self.limits.items():
            if subject in shown or all(limit.when is not None for limit in limits):
                continue
            track = self.quantities.track(subject)
            held = NEVER_HELD if track is None else track.at(t_ns)
            if not held.fresh and not self.quantities.set_aside(subject):
                found.append(subject)
        return found

    def standing(self, t_ns: int) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
        """Who is in the red, to be watched, or was: each subject once, whatever board shows it."""
        red: dict[str, None] = {}
        watch: dict[str, None] = {}
        gone: dict[str, None] = {}
        for subject in self.by_subject:
            weight, _, over, shelved = self._of(subject, t_ns)
            if shelved or self.quantities.set_aside(subject):
                continue
            label = self.label(subject)
            if weight == Weight.FAULT:
                red[label] = None
            elif weight is not None:
                watch[label] = None
            elif over is not None:
                gone[label] = None
        return tuple(red), tuple(w for w in watch if w not in red), tuple(gone)

    def _of(self, subject: str, t_ns: int) -> tuple[Weight | None, bool, Alarm | None, bool]:
        """Weight of the standing alarms, whether unseen, one that is over and unseen, shelved."""
        weight: Weight | None = None
        fresh = False
        over: Alarm | None = None
        acts = self._seen.get(subject, ())
        upto = max((a.upto_ns for a in acts), default=-1)
        shelved = any(a.shelved_ns is not None and a.upto_ns <= t_ns < a.shelved_ns for a in acts)
        for alarm in self.by_subject.get(subject, ()):
            if alarm.raised_ns > t_ns:
                break
            unseen = alarm.raised_ns > upto
            if alarm.stands(t_ns):
                if weight is None or alarm.weight > weight:
                    weight, fresh = alarm.weight, unseen
                elif alarm.weight == weight:
                    fresh = fresh or unseen
            elif unseen:
                over = alarm
        return (None if shelved else weight), fresh, over, shelved

    def _tile(self, tile: Tile, t_ns: int) -> TileState:
        readings = tuple(self._reading(subject, t_ns) for subject in tile.subjects)
        return TileState(tile, tile.title or self._title(tile, readings), readings)

    def _title(self, tile: Tile, readings: Sequence[Reading]) -> str:
        if len(readings) == 1:
            return readings[0].label
        if not readings:
            return {"alarms": "Alarms", "notes": "Notes"}.get(tile.show, "") or ", ".join(
                tile.unknown
            )
        if tile.show in ("map", "heat"):
            return f"{self.group(readings)}"
        if len(readings) <= 3:
            return ", ".join(r.label for r in readings)
        return f"{readings[0].label} and {len(readings) - 1} more"

    def group(self, readings: Iterable[Reading]) -> str:
        """What many of a kind are called."""
        first = next(iter(readings)).label
        return f"{first.split(' ')[0]}s" if first.startswith(("cell ", "sensor ")) else first

    def _reading(self, subject: str, t_ns: int) -> Reading:
        track = self.quantities.track(subject)
        held = NEVER_HELD if track is None else track.at(t_ns)
        weight, fresh, over, shelved = self._of(subject, t_ns)
        limits = self.limits.get(subject, ())
        made = taken(subject)
        if made is not None and made[0] in ("lowest", "highest"):
            above = made[0] == "highest"
            members = [str(a) for a in self.quantities.members(subject)]
            own = [w for w in (self._toward(m, above, t_ns) for m in members) if w[0] is not None]
            for each, unseen in own:
                assert each is not None
                if weight is None or each > weight:
                    weight, fresh = each, unseen
            if members and not limits:
                limits = tuple(
                    each
                    for each in self.limits.get(members[0], ())
                    if each.above == above and each.when is None
                )
        return Reading(
            subject=subject,
            label=self.label(subject),
            track=track,
            held=held,
            limits=limits,
            weight=weight,
            fresh_alarm=fresh,
            gone=over,
            aside=self.quantities.set_aside(subject),
            shelved=shelved,
        )

    def _toward(self, subject: str, above: bool, t_ns: int) -> tuple[Weight | None, bool]:
        """The standing alarm of one member on one side."""
        if subject not in self.by_subject or self.quantities.set_aside(subject):
            return None, False
        weight, fresh, _, _ = self._of(subject, t_ns)
        if weight is None:
            return None, False
        sides = {
            a.limit.above for a in self.by_subject[subject] if a.stands(t_ns) and a.weight == weight
        }
        return (weight, fresh) if above in sides else (None, False)
