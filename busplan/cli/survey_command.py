"""``busplan survey``: what is on the wire, defined or not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import (
    AS_RECORDED,
    BitRateOption,
    CaptureFiles,
    Opening,
    PlanOption,
    opens_captures,
    print_capture,
    print_missing_rates,
)
from busplan.cli.definition_files import DefinitionsOption, load_definitions
from busplan.cli.options import JsonOption, NetworkOrChannel
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_findings,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.cli.segmented import SegmentedOption, parse_segmented, print_sessions
from busplan.wording import counted, percent, plural

if TYPE_CHECKING:
    from busplan.frames.table import FrameTable
    from busplan.traffic.fit import Fit
    from busplan.traffic.survey import SurveyedIdentifier
    from busplan.traffic.survey_report import Survey

_LONGEST_SHOWN = 64
"""Bytes of a message up to which every changing bit is shown."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("survey", epilog=EXIT_BY_FINDINGS)(survey)


@opens_captures
def survey(
    captures: CaptureFiles,
    plan: PlanOption = None,
    definitions: DefinitionsOption = None,
    network: NetworkOrChannel = None,
    bit_rate: BitRateOption = None,
    opening: Opening = AS_RECORDED,
    segmented: SegmentedOption = None,
    draft: Annotated[
        Path | None,
        typer.Option(
            "--draft",
            help="Write what nobody defines as a part's draft: NAME.toml or NAME.dbc.",
            show_default=False,
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show every identifier on the wire, defined or not.

    Cycle, lengths, changing bits and likely contents of each.

    Needs no definitions; with a plan or DBC files it says what is defined and which file fits.

    Example: busplan survey captures/bench_charger_short.log.gz --definitions dbc_examples
    """
    from busplan.traffic.survey_report import survey_traffic

    if draft is not None:
        _may_write(draft)
    files = load_definitions(definitions or [])
    capture, vehicle, rates = opening.open_rated(captures, plan, bit_rate)
    surveyed = survey_traffic(
        capture.frames,
        vehicle,
        files=files,
        rates=rates,
        networks=network or (),
        segmented=parse_segmented(segmented, capture.frames.networks),
        known=capture.findings,
    )
    if draft is not None:
        _write_draft(draft, capture.frames, surveyed)
    if as_json:
        print_json({"capture": capture.as_dict()} | surveyed.as_dict())
    else:
        print_capture(capture)
        _print(surveyed)
    raise typer.Exit(exit_code(surveyed.findings))


def _may_write(file: Path) -> None:
    from busplan.errors import UsageError

    if file.suffix not in (".toml", ".dbc"):
        raise UsageError(f"{file}: a draft is written as NAME.toml or NAME.dbc")
    if file.exists():
        raise UsageError(f"{file}: exists already")


def _write_draft(file: Path, frames: FrameTable, surveyed: Survey) -> None:
    """The messages that nobody defines, as tables of a plan or as a definition file."""
    from busplan.definitions.writing import dbc_bytes, dbc_text
    from busplan.errors import UsageError
    from busplan.plan.paper_text import draft_part_text
    from busplan.traffic.draft import draft_messages, undefined
    from busplan.wording import listing

    found = undefined(surveyed.identifiers, surveyed.names, surveyed.split)
    networks = dict.fromkeys(one.key.network for one in found)
    if len(networks) > 1:
        raise UsageError(
            f"there is something undefined on {listing(networks, 8)}: a part is on one of them; "
            "say which by --network"
        )
    part = "_".join(file.stem.split()) or "part"
    messages = draft_messages(frames, found, part)
    if not messages:
        raise UsageError("nothing to draft: every identifier is defined, or carries no data")
    text = draft_part_text(part, messages)
    data = text.encode()
    if file.suffix == ".dbc":
        comment = "A draft that busplan made from a capture. Nobody has confirmed it."
        data = dbc_bytes(dbc_text(messages, [part], comment=comment))
    try:
        file.write_bytes(data)
    except OSError as error:
        raise UsageError(f"cannot write {file}: {error.strerror}") from error
    say(f"wrote a draft of {counted(len(messages), 'message')} to {file}", err=True)


def _print(surveyed: Survey) -> None:
    print_missing_rates(surveyed.unrated)
    _print_identifiers(surveyed, surveyed.identifiers, "frame")
    print_sessions(surveyed.tallies)
    _print_identifiers(surveyed, surveyed.messages, "message")
    _print_fits(surveyed.fits)
    if surveyed.findings:
        say()
        print_findings(surveyed.findings)


def _print_identifiers(surveyed: Survey, found: Sequence[SurveyedIdentifier], what: str) -> None:
    network = None
    for one in found:
        if one.key.network != network:
            network = one.key.network
            say("", f"{network}")
            print_text(
                "cycle [ms]: median, ± jitter of 99 % of the distances, longest gap; changing: "
                "bits of each byte that were seen both set and clear",
                indent=2,
            )
        _print_one(surveyed, one, what)


def _print_one(surveyed: Survey, one: SurveyedIdentifier, what: str) -> None:
    say(f"  {one.label}  {_name(surveyed, one, what)}".rstrip())
    share = surveyed.share(one) if what == "frame" else None
    taken = "" if share is None else f", {percent(share)} of the time"
    came = f"{one.frames:,} {plural(one.frames, what)}"
    print_text(f"{came}, {_lengths(one)}{taken}; cycle {_cycle(one)}", indent=6)
    if any(one.changing):
        bits = " ".join(f"{b:02X}" if b else ".." for b in one.changing)
        if len(one.changing) > _LONGEST_SHOWN:
            bits = f"bytes {_ranges(one.changing)}"
        print_text(bits, lead="changing ", indent=6)
    else:
        print_text("nothing changes", indent=6)
    for guess in one.likely:
        print_text(guess, lead="likely ", indent=6)
    if what == "frame" and (candidate := surveyed.candidates.get(one.key)) is not None:
        told = f"{one.label}{'@1' if candidate.addressed else ''}"
        hint = f"{candidate}; --segmented {told} puts them together"
        print_text(hint, lead="likely ", indent=6)


def _name(surveyed: Survey, one: SurveyedIdentifier, what: str) -> str:
    """Who defines an identifier, as people read it."""
    if what == "frame" and one.key in surveyed.split:
        return "(parts of longer messages)"
    return surveyed.names.get(one.key, "? not defined" if surveyed.compared else "")


def _lengths(one: SurveyedIdentifier) -> str:
    lengths = [
        counted(n, "byte") if len(one.lengths) == 1 else f"{counted(n, 'byte')} ×{count:,}"
        for n, count in one.lengths.items()
    ]
    if one.remote_frames:
        lengths.append(f"remote ×{one.remote_frames:,}")
    return ", ".join(lengths)


def _cycle(one: SurveyedIdentifier) -> str:
    c = one.cycle
    if c is None:
        return "once"
    return f"{c.median_ns / 1e6:.2f} ± {c.jitter_ns / 1e6:.2f}, longest {c.longest_ns / 1e6:.2f}"


def _ranges(changing: bytes) -> str:
    """The bytes of a long message that change, as ranges."""
    places = [i for i, bits in enumerate(changing) if bits]
    begins = [i for i in places if i - 1 not in places]
    ends = [i for i in places if i + 1 not in places]
    pairs = zip(begins, ends, strict=True)
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in pairs)


def _print_fits(fits: Mapping[str, Sequence[Fit]]) -> None:
    for network, best in fits.items():
        say("", f"{network}: definition files that fit best")
        if not best:
            say("  none defines any of its identifiers")
            continue
        print_table(
            ["file", "identifiers", "frames", "lengths agree", "messages seen"],
            [
                [
                    f"  {Path(f.file).name}",
                    f"{f.identifiers} of {f.of}",
                    percent(f.frames_share, 0),
                    percent(f.length_share, 0),
                    f"{f.messages_seen} of {f.messages}",
                ]
                for f in best
            ],
            right=frozenset({1, 2, 3, 4}),
            shrink=frozenset({0}),
        )
