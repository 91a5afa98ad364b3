"""A whole recording surveyed: every identifier, what defines it, and which definition file fits.

The rules of this file: what an identifier does is told by :mod:`busplan.traffic.survey`, from all
its frames; who defines it by the plan, else by the first file that does. Frames that are parts of
longer messages are counted but not guessed at: the messages put together of them are surveyed
instead.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from busplan.decode.match import streams_by_key
from busplan.errors import UsageError
from busplan.findings import Finding, Weight, summary_line
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Vehicle
from busplan.tables import Table, unit
from busplan.traffic.fit import Fit, definition_of, fit
from busplan.traffic.measured_load import MeasuredLoad, Rates, measured_load, rates_of
from busplan.traffic.survey import (
    SurveyedIdentifier,
    survey_findings,
    survey_identifier,
    without_guesses,
)
from busplan.transport.candidates import Candidate, likely_segmented
from busplan.transport.iso15765 import Segmented, partner_of
from busplan.transport.messages import Messages, put_together
from busplan.transport.report import Tally, tallies, transport_findings
from busplan.wording import counted

if TYPE_CHECKING:
    import pandas as pd

    from busplan.definitions.dbc import Definitions

BEST = 3
"""Definition files kept for each network."""


@dataclass(frozen=True, slots=True)
class IdentifierRow:
    """One identifier or message; ``lengths`` [byte], ``changing`` in hexadecimal, byte by byte."""

    network: str
    identifier: str
    defined_as: str | None
    frames: int
    lengths: tuple[int, ...] = field(metadata=unit("byte"))
    cycle_ms: float | None = field(metadata=unit("ms"))
    jitter_ms: float | None = field(metadata=unit("ms"))
    longest_ms: float | None = field(metadata=unit("ms"))
    share: float | None
    changing: str
    likely: str
    two_senders: str | None
    several_frames: bool


@dataclass(frozen=True, eq=False, repr=False)
class Survey:
    """What is on the wire, defined or not. Times [ns] as recorded, ``origin_ns`` the first.

    * ``identifiers``: those of single frames; ``messages``: those put together of several;
    * ``split``: identifiers whose frames are parts of longer messages; ``candidates``: those that
      look like it; ``tallies``: what became of the sessions;
    * ``names``: who defines each; ``compared``: whether there was anything to compare with;
    * ``fits``: for each network the files that fit best, best first;
    * ``loads`` by network; ``unrated``: networks whose bit rate nobody tells.
    """

    origin_ns: int
    identifiers: tuple[SurveyedIdentifier, ...]
    messages: tuple[SurveyedIdentifier, ...]
    split: frozenset[FrameKey]
    candidates: Mapping[FrameKey, Candidate]
    tallies: tuple[Tally, ...]
    names: Mapping[FrameKey, str]
    compared: bool
    fits: Mapping[str, tuple[Fit, ...]]
    loads: Mapping[str, MeasuredLoad]
    unrated: tuple[str, ...]
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        defined = sum(one.key in self.names for one in self.identifiers)
        counts = f"{len(self.identifiers)} identifiers, {defined} of them defined"
        long = counted(len(self.messages), "message")
        told = summary_line(self.findings)
        return f"<Survey: {counts}, {long} of several frames, {told}>"

    def share(self, one: SurveyedIdentifier) -> float | None:
        """An identifier's part of the time; ``None`` without a bit rate."""
        load = self.loads.get(one.key.network)
        return load.share(one.key) if load else None

    def identifier_table(self) -> Table[IdentifierRow]:
        """One row an identifier, then one a message of several frames."""
        rows = [self._row(s, self.share(s), several=False) for s in self.identifiers]
        rows += [self._row(s, None, several=True) for s in self.messages]
        return Table("identifiers on the wire", IdentifierRow, tuple(rows))

    def fit_table(self) -> Table[Fit]:
        """The definition files that fit best, network by network."""
        best = (f for files in self.fits.values() for f in files)
        return Table("definition files that fit best", Fit, tuple(best))

    def _repr_html_(self) -> str:
        return self.identifier_table()._repr_html_()

    def to_frame(self) -> pd.DataFrame:
        """:meth:`identifier_table` as a pandas ``DataFrame``."""
        return self.identifier_table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "identifiers": [
                self._dict(s, self.share(s))
                | {"likely_segmented": str(self.candidates.get(s.key, "")) or None}
                for s in self.identifiers
            ],
            "messages_of_several_frames": [self._dict(s, None) for s in self.messages],
            "transport": [t.as_dict(self.origin_ns) for t in self.tallies],
            "fits": {name: [f.as_dict() for f in best] for name, best in self.fits.items()},
            "findings": [f.as_dict() for f in self.findings],
        }

    def _row(self, one: SurveyedIdentifier, share: float | None, *, several: bool) -> IdentifierRow:
        cycle = one.cycle
        return IdentifierRow(
            network=one.key.network,
            identifier=one.label,
            defined_as=self.names.get(one.key),
            frames=one.frames,
            lengths=tuple(one.lengths),
            cycle_ms=cycle.median_ns / 1e6 if cycle else None,
            jitter_ms=cycle.jitter_ns / 1e6 if cycle else None,
            longest_ms=cycle.longest_ns / 1e6 if cycle else None,
            share=share,
            changing=one.changing.hex(),
            likely="; ".join(one.likely),
            two_senders=one.two_senders,
            several_frames=several,
        )

    def _dict(self, one: SurveyedIdentifier, share: float | None) -> dict[str, Any]:
        cycle = one.cycle
        return {
            "network": one.key.network,
            "identifier": one.key.identifier,
            "extended": one.key.extended,
            "label": one.label,
            "defined_as": self.names.get(one.key),
            "frames": one.frames,
            "remote_frames": one.remote_frames,
            "lengths": {str(n): count for n, count in one.lengths.items()},
            "share": share,
            "cycle": None
            if cycle is None
            else {
                "median_ms": cycle.median_ns / 1e6,
                "jitter_ms": cycle.jitter_ns / 1e6,
                "longest_ms": cycle.longest_ns / 1e6,
            },
            "changing_bits": one.changing.hex(),
            "likely": one.likely,
            "two_senders": one.two_senders,
        }


def survey_traffic(
    table: FrameTable,
    vehicle: Vehicle | None = None,
    *,
    files: Sequence[Definitions] = (),
    rates: Mapping[str, Rates] | None = None,
    networks: Collection[str] = (),
    segmented: Sequence[Segmented] = (),
    known: Iterable[Finding] = (),
) -> Survey:
    """Survey a table whose networks are named as the plan, if there is one, names them.

    ``files`` are compared with what is found; ``rates`` are bit rates by network, and those of the
    plan go before them; ``networks`` limits the survey to these; ``segmented`` tells identifiers
    that send by ISO 15765-2; ``known`` are findings there are already, of reading the capture.
    What was set aside of the files that fit best is a finding too.
    :class:`UsageError` for a network that is not there.
    """
    for name in networks:
        if name not in table.networks:
            raise UsageError(
                f"no network {name!r} here{suggestion(name, table.networks, 'network')}"
            )
    chosen = frozenset(networks or table.networks)
    messages = put_together(table, vehicle, tuple(segmented))
    split = frozenset(key for part in messages.parts for key in part.carriers) | messages.answers
    found = [without_guesses(s) if s.key in split else s for s in _surveyed([table], chosen)]
    long = _surveyed([part.messages for part in messages.parts], chosen)
    whole = [s for s in found if s.key not in split] + long
    candidates = likely_segmented(table, split)
    rated = dict(rates or {}) | (rates_of(vehicle.networks) if vehicle else {})
    loads = measured_load(table, rated, exact_only=True)
    fits = _fits(whole, files)
    fitting = {f.file for best in fits.values() for f in best}
    blemishes = [
        f for one in files if one.file in fitting for f in one.findings if f.weight > Weight.NOTE
    ]
    sessions = (t for part in messages.parts for t in tallies(part.sessions))
    return Survey(
        origin_ns=table.origin_ns,
        identifiers=tuple(found),
        messages=tuple(long),
        split=split,
        candidates=candidates,
        tallies=tuple(t for t in sessions if t.network in chosen),
        names=_names(whole, messages, vehicle, files),
        compared=vehicle is not None or bool(files),
        fits=fits,
        loads=loads,
        unrated=tuple(n for n in networks or table.networks if n not in loads),
        findings=(
            *known,
            *blemishes,
            *_two_senders(found, split | candidates.keys()),
            *(
                f
                for f in transport_findings(messages.parts, table.origin_ns)
                if not networks or f.where.network in networks
            ),
        ),
    )


def _surveyed(tables: Iterable[FrameTable], chosen: Collection[str]) -> list[SurveyedIdentifier]:
    return [
        survey_identifier(of, key, rows)
        for of in tables
        for key, rows in of.groups.items()
        if key.network in chosen
    ]


def _two_senders(found: Iterable[SurveyedIdentifier], parts: Collection[FrameKey]) -> list[Finding]:
    """Identifiers that two nodes likely send; not ``parts`` of messages, nor what answers those.

    Consecutive frames of a message count up and pause, which looks like two senders.
    """
    quiet = set(parts)
    quiet |= {k._replace(identifier=p) for k in parts if (p := partner_of(k)) is not None}
    return [f for one in found if one.key not in quiet for f in survey_findings(one)]


def _names(
    found: Sequence[SurveyedIdentifier],
    messages: Messages,
    vehicle: Vehicle | None,
    files: Sequence[Definitions],
) -> dict[FrameKey, str]:
    """Who defines each identifier: the plan's message, else the first file that does."""
    names: dict[FrameKey, str] = {}
    streams = streams_by_key(messages, vehicle) if vehicle else {}
    for one in found:
        if one.key in streams:
            names[one.key] = ", ".join(f"{s.node}/{s.message.name}" for s in streams[one.key])
            continue
        for file in files:
            message = definition_of(one, file.messages)
            if message is not None:
                names[one.key] = f"{message.name} ({PurePath(file.file).name})"
                break
    return names


def _fits(
    found: Sequence[SurveyedIdentifier], files: Sequence[Definitions]
) -> dict[str, tuple[Fit, ...]]:
    """The best files for each network; empty where no file defines any of its identifiers."""
    if not files:
        return {}
    fits = {}
    for name in dict.fromkeys(s.key.network for s in found):
        scored = [fit(f.file, f.messages, name, found) for f in files]
        best = sorted((f for f in scored if f.identifiers), key=lambda f: -f.score)
        fits[name] = tuple(best[:BEST])
    return fits
