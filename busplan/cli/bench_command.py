"""``busplan bench``: one node on the bench against its definition."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import ColumnsOption, NoCacheOption
from busplan.cli.output import EXIT_BY_FINDINGS

if TYPE_CHECKING:
    from busplan.bench.record import BenchRecord
    from busplan.bench.run import BenchTest
    from busplan.plan.vehicle import Vehicle


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("bench", epilog=EXIT_BY_FINDINGS)(bench)


def bench(
    node: Annotated[
        str | None, typer.Argument(help="Node of the plan, or the DBC's node name with --part.")
    ] = None,
    plan: Annotated[Path | None, typer.Option(help="Plan the node belongs to.")] = None,
    part: Annotated[
        Path | None, typer.Option(help="Definition file (DBC) of a part that is in no plan yet.")
    ] = None,
    bit_rate: Annotated[
        int, typer.Option(min=1000, help="With --part: bit rate [bit/s].")
    ] = 500_000,
    data_bit_rate: Annotated[
        int | None, typer.Option(help="With --part: CAN FD data bit rate [bit/s].")
    ] = None,
    network: Annotated[
        str | None, typer.Option(help="Which of the node's networks is on the bench.")
    ] = None,
    capture: Annotated[Path | None, typer.Option(help="Judge this capture.")] = None,
    interface: Annotated[
        str | None,
        typer.Option("--interface", "-i", help="Listen live: KIND:CHANNEL[,KEY=VALUE...]."),
    ] = None,
    channel: Annotated[
        str | None, typer.Option(help="Which of the capture's channels is the bench.")
    ] = None,
    seconds: Annotated[
        float,
        typer.Option(min=0.1, help="How long to listen [s]; with --find-bit-rate in all."),
    ] = 60.0,
    tolerance: Annotated[
        float, typer.Option(min=0, help="Allowed deviation of the median cycle time, share.")
    ] = 0.10,
    gap_cycles: Annotated[
        float, typer.Option(min=1, help="Longest silence of a message, in cycles.")
    ] = 2.5,
    jitter: Annotated[
        float, typer.Option(min=0, help="Allowed deviation of single distances, in cycles.")
    ] = 0.5,
    power_on: Annotated[
        float | None,
        typer.Option(
            min=0,
            help="When the node got power [s], from the capture's first frame; live: from the "
            "start of listening, and you are told when to switch it on.",
        ),
    ] = None,
    cycles: Annotated[
        int | None,
        typer.Option(
            min=1, max=100, help="Live: so many power-ons, led by prompts; --seconds is one's."
        ),
    ] = None,
    off_seconds: Annotated[
        float, typer.Option(min=1, help="With --cycles: how long it stays off [s].")
    ] = 4.0,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            help="Live, after --seconds: a fault that you make by hand when prompted, on a bench "
            "only: short, open, terminator, low-supply or all; judged from the recording."
        ),
    ] = None,
    start_within: Annotated[
        float | None,
        typer.Option(min=0, help="Allowed time from power-on to the first frame [s]."),
    ] = None,
    supply_signal: Annotated[
        str | None,
        typer.Option(
            help="MESSAGE.SIGNAL of another sender that shows the node's supply: its edge is "
            "power-on, so that no hand counts."
        ),
    ] = None,
    checksum: Annotated[
        list[str] | None,
        typer.Option(
            help="MESSAGE=KIND of checksum, when you know it; a wrong KIND lists them all."
        ),
    ] = None,
    serial: Annotated[str, typer.Option(help="Serial number, for the record.")] = "",
    tester: Annotated[str, typer.Option(help="Who tests, for the record.")] = "",
    hardware: Annotated[str, typer.Option(help="Hardware version, for the record.")] = "",
    firmware: Annotated[str, typer.Option(help="Firmware version, for the record.")] = "",
    supply_v: Annotated[
        float | None, typer.Option(min=0, help="Supply of the node [V], for the record.")
    ] = None,
    supply_a: Annotated[
        float | None, typer.Option(min=0, help="What it takes [A], for the record.")
    ] = None,
    note: Annotated[list[str] | None, typer.Option(help="A note, for the record.")] = None,
    photo: Annotated[
        list[Path] | None,
        typer.Option(help="A photograph: its name and hash go into the record."),
    ] = None,
    record: Annotated[
        Path | None, typer.Option(help="Folder for the record: JSON, Markdown and HTML.")
    ] = None,
    acknowledge: Annotated[
        bool,
        typer.Option(
            "--acknowledge",
            help="Live: let the adapter acknowledge, for a node alone on the bench; no frame is "
            "sent.",
        ),
    ] = False,
    transmit: Annotated[
        bool, typer.Option("--transmit", help="Live: send requests and wait for the answers.")
    ] = False,
    question: Annotated[
        list[str] | None,
        typer.Option(
            "--ask",
            help="With --transmit: IDENTIFIER#DATA=IDENTIFIER, hexadecimal; then, when wanted, "
            "#EXPECTED, what it says without a length byte before it (.. any, [10-2F] a range), "
            "@SECONDS it may take, *TIMES.",
        ),
    ] = None,
    feed: Annotated[
        Path | None,
        typer.Option(
            help="With --transmit: file (TOML) of messages to send cyclically, [[feed]] with "
            "message, values, every_ms and checksum."
        ),
    ] = None,
    like: Annotated[
        Path | None,
        typer.Option(help="Compare with an earlier record (JSON) of the same part, a good one."),
    ] = None,
    batch: Annotated[
        Path | None,
        typer.Option(
            help="Summarise the records of a folder: verdicts, spreads, who stands out, serial "
            "numbers twice or missing. With --record as JSON and HTML, too."
        ),
    ] = None,
    survey: Annotated[
        bool,
        typer.Option(
            "--survey",
            help="A part without a definition: what it sends, a draft definition (DBC) and a "
            "record; NODE is the name you give it.",
        ),
    ] = False,
    wiring: Annotated[
        bool, typer.Option("--wiring", help="What to measure when nothing arrives.")
    ] = False,
    columns: ColumnsOption = "",
    no_cache: NoCacheOption = False,
    find_bit_rate: Annotated[
        bool, typer.Option("--find-bit-rate", help="Search the bit rate, listening only.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the record as JSON.")] = False,
) -> None:
    """Prove one node against its definition.

    Does it send what it should, at the right rate, in range?

    Listens only; --transmit is the one exception.

    Example: busplan bench charger --plan dbc_examples/as_built.toml
    --capture captures/bench_charger_short.log.gz --record records
    """
    from dataclasses import replace

    from busplan.bench.golden import like_findings
    from busplan.bench.run import BenchTest
    from busplan.cli.bench_limits import typed_limits, typed_supply
    from busplan.cli.bench_live import live_record
    from busplan.cli.bench_records import (
        hashed_photos,
        keep_record,
        read_record,
        say_tested_before,
        typed_details,
    )
    from busplan.cli.bench_shown import print_record, print_wiring, search_bit_rate
    from busplan.cli.bench_survey import SurveySource, SurveyTyped, show_survey, survey_part
    from busplan.cli.output import exit_code, print_caution
    from busplan.live.feed_file import read_feed

    if wiring:
        print_wiring(as_json=as_json)
        return
    if batch is not None:
        from busplan.cli.bench_batch import show_batch

        raise typer.Exit(show_batch(batch, record, as_json=as_json))
    live, sends, switched = interface is not None, bool(question or feed), (power_on, cycles)
    details = typed_details(hardware, firmware, supply_v, supply_a, note or ())
    photos = hashed_photos(photo or ())
    if survey:
        _refuse(
            (
                (node is None, "--survey: say what the part is to be called"),
                (
                    plan is not None or part is not None,
                    "--survey is for a part without a definition",
                ),
                ((capture is None) != live, "say either --capture or --interface"),
                (transmit or sends or acknowledge, "--survey only listens"),
            )
        )
        assert node is not None
        told = SurveyTyped(serial, tester, details, photos)
        source = SurveySource(interface, capture, channel, columns, cache=not no_cache)
        made_of = survey_part(node, source, seconds, record, (bit_rate, data_bit_rate), told)
        show_survey(made_of, record, as_json=as_json)
        return
    rules = (
        (find_bit_rate and acknowledge, "--find-bit-rate only listens: leave --acknowledge out"),
        (
            not find_bit_rate and (node is None or (plan is None) == (part is None)),
            "say which node, and either --plan or --part",
        ),
        (not find_bit_rate and (capture is None) != live, "say either --capture or --interface"),
        (
            (transmit or sends) and not live,
            "--transmit, --ask and --feed need a live --interface",
        ),
        (
            acknowledge and not live,
            "--acknowledge is for a live --interface with one node at its bit rate",
        ),
        (
            sends and not transmit,
            "--ask and --feed send frames: they need --transmit as well",
        ),
        (
            start_within is not None and (power_on, cycles, supply_signal) == (None, None, None),
            "--start-within counts from power-on: tell its moment with --power-on, use --cycles or "
            "a --supply-signal",
        ),
        (channel is not None and capture is None, "--channel chooses from a --capture"),
        (bool(fault) and not live, "--fault leads through faults at a live node"),
        (
            bool(fault) and (transmit or switched != (None, None)),
            "--fault has prompts of its own: leave --power-on, --cycles and --transmit out",
        ),
        (cycles is not None and not live, "--cycles leads through power-ons of a live node"),
        (
            cycles is not None and power_on is not None,
            "--cycles has power-ons of its own: leave --power-on out",
        ),
    )
    _refuse(rules)
    if find_bit_rate:
        search_bit_rate(interface, seconds, as_json=as_json)
        return
    assert node is not None
    vehicle = _vehicle(node, plan, part, bit_rate, data_bit_rate)
    limits = typed_limits(tolerance, gap_cycles, jitter, power_on, start_within, checksum)
    limits = replace(limits, supply=typed_supply(supply_signal))
    if cycles is not None:
        from busplan.bench.live_run import cycle_plan

        moments, seconds = cycle_plan(cycles, seconds, off_seconds)
        limits = replace(limits, power_cycles=moments)
    if fault:
        from busplan.bench.fault_steps import fault_plan

        steps, seconds = fault_plan(fault, seconds)
        limits = replace(limits, faults=steps)
    sample = None if like is None else read_record(like)
    test = BenchTest.of(vehicle, node, network, limits)
    fed = () if feed is None else read_feed(feed, vehicle, node, test.network)
    print_caution()
    if record is not None:
        say_tested_before(record, node, serial)
    if interface is None:
        assert capture is not None
        made = _from_file(test, capture, channel, columns, cache=not no_cache)
    else:
        made = live_record(
            test,
            interface,
            seconds,
            folder=record,
            questions=(question or []) if transmit else None,
            fed=fed,
            acknowledge=acknowledge,
            serial=serial,
        )
    made = replace(made, serial=serial, tester=tester, details=details, photos=photos)
    if sample is not None and like is not None:
        made = made.with_findings(like_findings(made.report, sample, like.name))
    if record is not None:
        keep_record(made, record)
    print_record(made, as_json)
    raise typer.Exit(exit_code(made.report.findings))


def _refuse(rules: Sequence[tuple[bool, str]]) -> None:
    """The first of what cannot go together, as an error."""
    from busplan.errors import UsageError

    for broken, words in rules:
        if broken:
            raise UsageError(words)


def _vehicle(
    node: str, plan: Path | None, part: Path | None, bit_rate: int, data_bit_rate: int | None
) -> Vehicle:
    if plan is not None:
        from busplan.plan.reader import load_plan

        return load_plan(plan)
    from busplan.plan.single import vehicle_of_part

    assert part is not None
    return vehicle_of_part(part, node, bit_rate=bit_rate, data_bit_rate=data_bit_rate)


def _from_file(
    test: BenchTest, path: Path, channel: str | None, columns: str, *, cache: bool
) -> BenchRecord:
    """Judge a capture; what reading it had to tolerate is part of the verdict."""
    from datetime import datetime

    from busplan.capture.checksum import sha256_of
    from busplan.cli.captures import open_capture

    capture = test.of_bench(open_capture([path], columns=columns, cache=cache), channel)
    return test.record(
        capture.frames,
        read=capture.findings,
        date=datetime.now().astimezone(),
        capture=path.name,
        capture_sha256=sha256_of(path),
    )
