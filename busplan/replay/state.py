"""One plain word for the state of a vehicle at a moment, and the reasons behind it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.findings import Weight
from busplan.pack.labels import cell_label, clock, sensor_label, short_cell, short_sensor
from busplan.pack.windows import temperature_window
from busplan.plan.vehicle import Network
from busplan.replay.lines import Silence
from busplan.replay.pack_state import Grade, PackState, PeerRange, Peers
from busplan.traffic.running import Load
from busplan.wire.load_limit import over_limit
from busplan.wording import counted, listing, percent

NOTHING_WRONG = "ALL EVEN"
NO_DATA = "NO DATA"
NO_PACK = "NO PACK"
NO_VALUE = "NO VALUE YET"
NOT_ALL = "NOT ALL HEARD"
SET_ASIDE = "SET ASIDE"
FOUND = "FAULT FOUND"
EVEN_NOW = "EVEN NOW"
"""Even at this moment, after cautions that may concern what no moment shows."""
MOST_NAMED = 4
"""So many places that are set aside are named."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something that is not as it should be at this moment.

    ``word`` is readable from across the shop; ``text`` is one sentence with figures.
    """

    weight: Weight
    word: str
    text: str


def troubles(
    pack: PackState | None,
    loads: Sequence[Load],
    networks: Mapping[str, Network],
    silent: Sequence[Silence],
    faults: int = 0,
    cautions: int = 0,
) -> tuple[Trouble, ...]:
    """Everything wrong at a moment, the heaviest first.

    ``faults`` and ``cautions`` were found up to it.
    """
    counts = [counted(n, w) for n, w in ((faults, "fault"), (cautions, "caution")) if n]
    text = f"{listing(counts)} found up to here"
    told = Trouble(Weight.NOTE, FOUND if faults else EVEN_NOW, text)
    found = [*_unseen(pack), *_silence(silent), *_pack(pack), *_networks(loads, networks)]
    # Below what is uneven now the cautions of before are no news.
    now = any(t.weight > Weight.NOTE for t in found)
    found[:0] = [told] if faults or (cautions and not now) else []
    return tuple(sorted(found, key=lambda t: -t.weight))


def word_for(found: Sequence[Trouble], *, any_data: bool) -> str:
    """The word of the heaviest trouble above a note, else what keeps all from being even."""
    if not any_data:
        return NO_DATA
    heavy = (t.word for t in found if t.weight > Weight.NOTE)
    said = [t.word for t in found]
    unseen = (w for w in said if w in (NO_PACK, NO_VALUE, NOT_ALL, SET_ASIDE, FOUND))
    return next(heavy, next(unseen, EVEN_NOW if EVEN_NOW in said else NOTHING_WRONG))


def _unseen(pack: PackState | None) -> Iterator[Trouble]:
    if pack is None:
        yield Trouble(Weight.NOTE, NO_PACK, "no plan describes a pack here")
    elif not pack.in_capture:
        yield Trouble(Weight.NOTE, NO_PACK, "no cell or sensor of the pack was recorded")
    elif not pack.any_value:
        yield Trouble(Weight.NOTE, NO_VALUE, "no cell or sensor has been heard yet")
    elif waited := [
        counted(count, what)
        for what, peers in (("cell", pack.cells), ("sensor", pack.sensors))
        if (count := int(((peers.grade == Grade.MISSING) & ~peers.unheard & ~peers.coded).sum()))
    ]:
        yield Trouble(Weight.NOTE, NOT_ALL, f"{listing(waited, len(waited))} not heard yet")


def _pack(pack: PackState | None) -> Iterator[Trouble]:
    if pack is None or not pack.any_value:
        return
    limits = pack.layout.limits
    yield from _cells_outside(pack)
    yield from _sensors_outside(pack)
    cells, heat = pack.cells.evenness, pack.sensors.evenness
    if cells and cells.spread > limits.voltage_spread_v:
        yield Trouble(
            Weight.CAUTION,
            "CELLS UNEVEN",
            f"cells {cells.spread * 1e3:.0f} mV apart (allowed "
            f"{limits.voltage_spread_v * 1e3:.0f}): {_short(pack, cells.lowest)} lowest, "
            f"{_short(pack, cells.highest)} highest",
        )
    if heat and heat.spread > limits.temperature_spread_k:
        yield Trouble(
            Weight.CAUTION,
            "HEAT UNEVEN",
            f"sensors {heat.spread:.1f} K apart (allowed {limits.temperature_spread_k:g}): "
            f"{short_sensor(pack.layout.sensors[heat.lowest])} coldest, "
            f"{short_sensor(pack.layout.sensors[heat.highest])} hottest",
        )
    for what, peers in (("cell", pack.cells), ("sensor", pack.sensors)):
        if stale := int((peers.grade == Grade.STALE).sum()):
            yield Trouble(Weight.CAUTION, "VALUES STALE", f"{counted(stale, what)} stale")
        if unheard := int(peers.unheard.sum()):
            yield Trouble(Weight.CAUTION, "VALUES MISSING", f"{counted(unheard, what)} not heard")
        if aside := np.flatnonzero(peers.grade == Grade.ASIDE).tolist():
            named = ", ".join(
                _short(pack, i) if what == "cell" else short_sensor(pack.layout.sensors[i])
                for i in aside[:MOST_NAMED]
            )
            text = f"{counted(len(aside), what)} set aside as not believed: {named}"
            # What nobody believes is no longer outside a limit; that makes nothing better.
            weight = Weight.NOTE if peers.fresh.any() else Weight.CAUTION
            yield Trouble(weight, SET_ASIDE, text)
        if coded := int(peers.coded.sum()):
            text = f"{counted(coded, what)} told as not available"
            yield Trouble(Weight.CAUTION, "VALUES MISSING", text)


def _cells_outside(pack: PackState) -> Iterator[Trouble]:
    limits, even = pack.layout.limits, _outside(pack.cells)
    if even is None:
        return
    if even.minimum < limits.cell_low_v:
        yield Trouble(
            Weight.FAULT,
            "CELL TOO LOW",
            f"{_cell(pack, even.lowest)} at {even.minimum:.3f} V is below "
            f"{limits.cell_low_v:.2f} V",
        )
    if even.maximum > limits.cell_high_v:
        yield Trouble(
            Weight.FAULT,
            "CELL TOO HIGH",
            f"{_cell(pack, even.highest)} at {even.maximum:.3f} V is above "
            f"{limits.cell_high_v:.2f} V",
        )


def _sensors_outside(pack: PackState) -> Iterator[Trouble]:
    limits, even = pack.layout.limits, _outside(pack.sensors)
    if even is None:
        return
    doing = pack.mode.words
    low, high = temperature_window(limits, pack.mode)
    if even.maximum > high:
        yield Trouble(
            Weight.FAULT,
            "TOO HOT",
            f"{_sensor(pack, even.highest)} at {even.maximum:.1f} °C is above {high:g} °C{doing}",
        )
    if even.minimum < low:
        yield Trouble(
            Weight.FAULT,
            "TOO COLD",
            f"{_sensor(pack, even.lowest)} at {even.minimum:.1f} °C is below {low:g} °C{doing}",
        )


def _networks(loads: Sequence[Load], networks: Mapping[str, Network]) -> Iterator[Trouble]:
    for load in loads:
        limit = networks[load.network].load_limit
        if over_limit(load.now, limit):
            yield Trouble(
                Weight.CAUTION,
                "NETWORK FULL",
                f"{load.network} is {percent(load.now, 0)} loaded (limit {percent(limit, 0)})",
            )
        if load.errors_minute:
            yield Trouble(
                Weight.CAUTION,
                "BUS ERRORS",
                f"{load.network}: {counted(load.errors_minute, 'error frame')} in the last minute",
            )


def _silence(silent: Sequence[Silence]) -> Iterator[Trouble]:
    networks: dict[str, int] = {}
    for gone in silent:
        if gone.since_ns is not None and gone.whole:
            networks[gone.network] = max(networks.get(gone.network, gone.since_ns), gone.since_ns)
    for network, since_ns in networks.items():
        text = f"every node has been silent on {network} {_since(since_ns)}"
        yield Trouble(Weight.CAUTION, "NETWORK SILENT", text)
    for gone in silent:
        if gone.since_ns is not None and not gone.whole:
            yield Trouble(
                Weight.CAUTION,
                "NODE SILENT",
                f"{gone.node} has been silent on {gone.network} {_since(gone.since_ns)}",
            )
    unheard = [f"{gone.node} on {gone.network}" for gone in silent if gone.since_ns is None]
    if unheard:
        yield Trouble(Weight.NOTE, "NODE SILENT", f"not heard yet: {', '.join(unheard)}")


def _since(ns: int) -> str:
    return f"since {clock(ns / 1e9)}" if ns >= 0 else f"since {-ns / 1e9:.0f} s before what is held"


def _outside(peers: Peers) -> PeerRange | None:
    return peers.evenness if (peers.grade == Grade.OUTSIDE).any() else None


def _short(pack: PackState, i: int) -> str:
    return short_cell(pack.layout.cells[i])


def _cell(pack: PackState, i: int) -> str:
    return cell_label(pack.layout.cells[i])


def _sensor(pack: PackState, i: int) -> str:
    return sensor_label(pack.layout.sensors[i])
