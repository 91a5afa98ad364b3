"""``busplan survey``: what is on the wire, defined or not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli.captures import (
    BitRateOption,
    CaptureFiles,
    ChannelOption,
    NoCacheOption,
    OffsetOption,
    PlanOption,
    capture_dict,
    open_rated,
    print_capture,
    print_missing_rates,
)
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_findings,
    print_json,
    print_table,
    print_text,
)
from busplan.cli.segmented import SegmentedOption, parse_segmented, print_sessions
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.wording import counted, plural

if TYPE_CHECKING:
    from busplan.definitions.dbc import Definitions
    from busplan.frames.identifier import FrameKey
    from busplan.plan.vehicle import Vehicle
    from busplan.traffic.fit import Fit
    from busplan.traffic.measured_load import MeasuredLoad
    from busplan.traffic.survey import SurveyedIdentifier
    from busplan.transport.candidates import Candidate
    from busplan.transport.messages import Messages

_LONGEST_SHOWN = 64
"""Bytes of a message up to which every changing bit is shown."""
_BEST = 3
"""Definition files shown for each network."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("survey", epilog=EXIT_BY_FINDINGS)(survey)


def survey(
    captures: CaptureFiles,
    plan: PlanOption = None,
    definitions: Annotated[
        list[Path] | None,
        typer.Option("--definitions", help="DBC file or folder of them to compare with."),
    ] = None,
    network: Annotated[
        list[str] | None, typer.Option("--network", help="Only this network or channel.")
    ] = None,
    bit_rate: BitRateOption = None,
    offset: OffsetOption = None,
    channel: ChannelOption = None,
    no_cache: NoCacheOption = False,
    segmented: SegmentedOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show every identifier on the wire, defined or not.

    Cycle, lengths, changing bits and likely contents of each.

    Needs no definitions; with a plan or DBC files it says what is defined and which file fits.

    Example: busplan survey captures/bench_charger_short.log.gz --definitions dbc_examples
    """
    from busplan.plan.problems import suggestion
    from busplan.traffic.measured_load import measured_load
    from busplan.traffic.survey import survey_findings, survey_identifier, without_guesses
    from busplan.transport.candidates import likely_segmented
    from busplan.transport.iso15765 import partner_of
    from busplan.transport.messages import put_together
    from busplan.transport.report import tallies, transport_findings

    files = _definitions(definitions or [])
    capture, vehicle, rates = open_rated(
        captures, plan, bit_rate, offsets=offset, channels=channel, cache=not no_cache
    )
    table = capture.frames
    for name in network or ():
        if name not in table.networks:
            near = suggestion(name, table.networks, "network")
            raise UsageError(f"no network {name!r} here{near}")
    messages = put_together(table, vehicle, parse_segmented(segmented, table.networks))
    split = frozenset(key for part in messages.parts for key in part.carriers)
    found, long = (
        [
            survey_identifier(of, key, rows)
            for of in tables
            for key, rows in of.groups.items()
            if not network or key.network in network
        ]
        for tables in ([table], [part.messages for part in messages.parts])
    )
    found = [without_guesses(s) if s.key in split else s for s in found]
    candidates = likely_segmented(table, split)
    quiet = split | candidates.keys()
    quiet |= {k._replace(identifier=p) for k in quiet if (p := partner_of(k)) is not None}
    counts = [
        t
        for part in messages.parts
        for t in tallies(part.sessions)
        if not network or t.network in network
    ]
    loads = measured_load(table, rates, exact_only=True)
    whole = [s for s in found if s.key not in split] + long
    names = _names(whole, messages, vehicle, files)
    fits = _fits(whole, files)
    findings = [
        *capture.findings,
        *(f for s in found if s.key not in quiet for f in survey_findings(s)),
        *(
            f
            for f in transport_findings(messages.parts, table.origin_ns)
            if not network or f.where.network in network
        ),
    ]
    if as_json:
        print_json(
            {
                "capture": capture_dict(capture),
                "identifiers": [
                    _as_dict(s, names.get(s.key), loads)
                    | {"likely_segmented": str(candidates.get(s.key, "")) or None}
                    for s in found
                ],
                "messages_of_several_frames": [
                    _as_dict(s, names.get(s.key), loads) | {"share": None} for s in long
                ],
                "transport": [t.as_dict(table.origin_ns) for t in counts],
                "fits": {n: [_fit_dict(f) for f in best] for n, best in fits.items()},
                "findings": [f.as_dict() for f in findings],
            }
        )
        raise typer.Exit(exit_code(findings))
    print_capture(capture)
    print_missing_rates([n for n in network or table.networks if n not in loads])
    asked = vehicle is not None or bool(files)
    parts = dict.fromkeys(split, "(parts of longer messages)")
    _print_identifiers(found, names | parts, loads, candidates, asked=asked)
    print_sessions(counts)
    _print_identifiers(long, names, {}, {}, asked=asked, what="message")
    _print_fits(fits)
    if findings:
        typer.echo()
        print_findings(findings)
    raise typer.Exit(exit_code(findings))


def _definitions(paths: Sequence[Path]) -> list[Definitions]:
    from busplan.definitions.dbc import load_dbc
    from busplan.errors import PlanError

    files: list[Path] = []
    for path in paths:
        inside = [path]
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() == ".dbc")
        if not inside:
            raise UsageError(f"{path}: no .dbc file in this folder")
        files += inside
    loaded = []
    for file in files:
        try:
            loaded.append(load_dbc(file))
        except PlanError as error:
            if len(files) == 1:
                raise
            typer.echo(f"left out: {error}", err=True)
    for one in loaded:
        heavy = [f for f in one.findings if f.weight is not Weight.NOTE]
        if heavy:
            what = counted(len(heavy), "blemish", "blemishes")
            typer.echo(f"{one.file}: {what}, the first: {heavy[0].summary}", err=True)
    return loaded


def _names(
    found: Sequence[SurveyedIdentifier],
    messages: Messages,
    vehicle: Vehicle | None,
    files: Sequence[Definitions],
) -> dict[FrameKey, str]:
    """Who defines each identifier: the plan's message, else the first file that does."""
    from busplan.decode.match import streams_by_key
    from busplan.traffic.fit import definition_of

    names: dict[FrameKey, str] = {}
    streams = streams_by_key(messages, vehicle) if vehicle else {}
    for one in found:
        if one.key in streams:
            names[one.key] = ", ".join(f"{s.node}/{s.message.name}" for s in streams[one.key])
            continue
        for file in files:
            message = definition_of(one, file.messages)
            if message is not None:
                names[one.key] = f"{message.name} ({Path(file.file).name})"
                break
    return names


def _fits(
    found: Sequence[SurveyedIdentifier], files: Sequence[Definitions]
) -> dict[str, list[Fit]]:
    from busplan.traffic.fit import fit

    fits: dict[str, list[Fit]] = {}
    for name in dict.fromkeys(s.key.network for s in found):
        scored = [fit(f.file, f.messages, name, found) for f in files]
        scored = sorted((f for f in scored if f.identifiers), key=lambda f: -f.score)
        if files:
            fits[name] = scored[:_BEST]
    return fits


def _print_identifiers(
    found: Sequence[SurveyedIdentifier],
    names: Mapping[FrameKey, str],
    loads: Mapping[str, MeasuredLoad],
    candidates: Mapping[FrameKey, Candidate],
    *,
    asked: bool,
    what: str = "frame",
) -> None:
    network = None
    for one in found:
        if one.key.network != network:
            network = one.key.network
            typer.echo(f"\n{network}")
            print_text(
                "cycle [ms]: median, ± jitter of 99 % of the distances, longest gap; changing: "
                "bits of each byte that were seen both set and clear",
                indent=2,
            )
        _print_one(one, names, loads.get(one.key.network), asked=asked, what=what)
        if one.key in candidates:
            told = f"{one.label}{'@1' if candidates[one.key].addressed else ''}"
            hint = f"{candidates[one.key]}; --segmented {told} puts them together"
            print_text(hint, lead="likely ", indent=6)


def _print_one(
    one: SurveyedIdentifier,
    names: Mapping[FrameKey, str],
    load: MeasuredLoad | None,
    *,
    asked: bool,
    what: str,
) -> None:
    name = names.get(one.key, "? not defined" if asked else "")
    lengths = ", ".join(
        counted(n, "byte") if len(one.lengths) == 1 else f"{counted(n, 'byte')} ×{count:,}"
        for n, count in one.lengths.items()
    )
    if one.remote_frames:
        lengths = ", ".join(x for x in (lengths, f"remote ×{one.remote_frames:,}") if x)
    share = f", {load.share_ns.get(one.key, 0) / load.span_ns:.1%} of the time" if load else ""
    cycle = "once"
    if one.cycle:
        c = one.cycle
        cycle = (
            f"{c.median_ns / 1e6:.2f} ± {c.jitter_ns / 1e6:.2f}, longest {c.longest_ns / 1e6:.2f}"
        )
    typer.echo(f"  {one.label}  {name}".rstrip())
    came = f"{one.frames:,} {plural(one.frames, what)}"
    print_text(f"{came}, {lengths}{share}; cycle {cycle}", indent=6)
    if any(one.changing):
        bits = " ".join(f"{b:02X}" if b else ".." for b in one.changing)
        if len(one.changing) > _LONGEST_SHOWN:
            bits = f"bytes {_ranges(one.changing)}"
        print_text(bits, lead="changing ", indent=6)
    else:
        print_text("nothing changes", indent=6)
    for guess in guesses(one):
        print_text(guess, lead="likely ", indent=6)


def _ranges(changing: bytes) -> str:
    """The bytes of a long message that change, as ranges."""
    places = [i for i, bits in enumerate(changing) if bits]
    begins = [i for i in places if i - 1 not in places]
    ends = [i for i in places if i + 1 not in places]
    pairs = zip(begins, ends, strict=True)
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in pairs)


def guesses(one: SurveyedIdentifier) -> list[str]:
    """What the payload likely holds, in words."""
    said = []
    for counter in one.counters:
        byte, bit = divmod(counter.start, 8)
        part = "" if counter.length == 8 else f", bits {bit}-{bit + counter.length - 1}"
        said.append(f"byte {byte}{part}: counter")
    if one.checksum:
        said.append(f"byte {one.checksum.position}: checksum, {one.checksum.kind.name}")
    return said + [str(value) for value in one.values]


def _print_fits(fits: Mapping[str, Sequence[Fit]]) -> None:
    for network, best in fits.items():
        typer.echo(f"\n{network}: definition files that fit best")
        if not best:
            typer.echo("  none defines any of its identifiers")
            continue
        print_table(
            ["file", "identifiers", "frames", "lengths agree", "messages seen"],
            [
                [
                    f"  {Path(f.file).name}",
                    f"{f.identifiers} of {f.of}",
                    f"{f.frames_share:.0%}",
                    f"{f.length_share:.0%}",
                    f"{f.messages_seen} of {f.messages}",
                ]
                for f in best
            ],
            right=frozenset({1, 2, 3, 4}),
            shrink=frozenset({0}),
        )


def _as_dict(
    one: SurveyedIdentifier, name: str | None, loads: Mapping[str, MeasuredLoad]
) -> dict[str, Any]:
    load = loads.get(one.key.network)
    cycle = one.cycle
    return {
        "network": one.key.network,
        "identifier": one.key.identifier,
        "extended": one.key.extended,
        "label": one.label,
        "defined_as": name,
        "frames": one.frames,
        "remote_frames": one.remote_frames,
        "lengths": {str(n): count for n, count in one.lengths.items()},
        "share": load.share_ns.get(one.key, 0) / load.span_ns if load else None,
        "cycle": None
        if cycle is None
        else {
            "median_ms": cycle.median_ns / 1e6,
            "jitter_ms": cycle.jitter_ns / 1e6,
            "longest_ms": cycle.longest_ns / 1e6,
        },
        "changing_bits": one.changing.hex(),
        "likely": guesses(one),
        "two_senders": one.two_senders,
    }


def _fit_dict(one: Fit) -> dict[str, Any]:
    return {
        "file": one.file,
        "identifiers": one.identifiers,
        "of": one.of,
        "frames_share": one.frames_share,
        "length_share": one.length_share,
        "messages_seen": one.messages_seen,
        "messages": one.messages,
    }
