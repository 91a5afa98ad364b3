"""``busplan bench``: one node on the bench against its definition."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import NoCacheOption, open_capture
from busplan.cli.output import EXIT_BY_FINDINGS

if TYPE_CHECKING:
    from busplan.bench.model import BenchLimits
    from busplan.bench.record import BenchRecord
    from busplan.capture.frames import FrameTable
    from busplan.findings import Finding
    from busplan.live.interfaces import InterfaceSpec
    from busplan.plan.vehicle import Vehicle

TRANSMIT_CAUTION = (
    "Transmitting as asked. Requests can make a node act: keep hands, tools and people clear of "
    "everything it drives, and have the high-voltage side disconnected."
)


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
    bit_rate: Annotated[int, typer.Option(help="With --part: bit rate [bit/s].")] = 500_000,
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
    seconds: Annotated[float, typer.Option(help="Live: how long to listen [s].")] = 60.0,
    tolerance: Annotated[
        float, typer.Option(help="Allowed deviation of the median cycle time, share.")
    ] = 0.10,
    gap_cycles: Annotated[
        float, typer.Option(help="Longest silence of a message, in cycles.")
    ] = 2.5,
    power_on: Annotated[
        float, typer.Option(help="When the node got power, from the capture's first frame [s].")
    ] = 0.0,
    start_within: Annotated[
        float | None,
        typer.Option(help="Time from power-on to the first frame [s]; not judged without it."),
    ] = None,
    checksum: Annotated[
        list[str] | None,
        typer.Option(
            help="MESSAGE=KIND of checksum, when you know it; a wrong KIND lists them all."
        ),
    ] = None,
    serial: Annotated[str, typer.Option(help="Serial number, for the record.")] = "",
    tester: Annotated[str, typer.Option(help="Who tests, for the record.")] = "",
    record: Annotated[
        Path | None, typer.Option(help="Folder for the record: JSON, Markdown and HTML.")
    ] = None,
    transmit: Annotated[
        bool, typer.Option("--transmit", help="Live: send requests and wait for the answers.")
    ] = False,
    question: Annotated[
        list[str] | None,
        typer.Option("--ask", help="With --transmit: IDENTIFIER#DATA=IDENTIFIER, hexadecimal."),
    ] = None,
    wiring: Annotated[
        bool, typer.Option("--wiring", help="What to measure when nothing arrives.")
    ] = False,
    no_cache: NoCacheOption = False,
    find_bit_rate: Annotated[
        bool, typer.Option("--find-bit-rate", help="Search the bit rate, listening only.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the record as JSON.")] = False,
) -> None:
    """Prove one node: does it send what its definition says, at the right rate, in range.

    Listens only; --transmit is the one exception.

    Example: busplan bench charger --plan van.toml --capture charger.log --record records
    """
    from busplan.cli.output import CAUTION_LINE, exit_code
    from busplan.errors import UsageError

    if wiring:
        _print_wiring()
        return
    if find_bit_rate:
        _search(interface)
        return
    if node is None or (plan is None) == (part is None):
        raise UsageError("say which node, and either --plan or --part")
    if (capture is None) == (interface is None):
        raise UsageError("say either --capture or --interface")
    if (transmit or question) and interface is None:
        raise UsageError("--transmit and --ask need a live --interface")
    if question and not transmit:
        raise UsageError("--ask sends frames: it needs --transmit as well")
    vehicle = _vehicle(node, plan, part, bit_rate, data_bit_rate)
    limits = _limits(tolerance, gap_cycles, power_on, start_within, checksum)
    typer.echo(CAUTION_LINE, err=True)
    made = _test(
        vehicle,
        node,
        network,
        limits,
        capture=capture,
        interface=interface,
        seconds=seconds,
        folder=record,
        questions=question if transmit else None,
        cache=not no_cache,
        serial=serial,
        tester=tester,
    )
    _print(made, as_json)
    if record is not None:
        _write(made, record)
    raise typer.Exit(exit_code(made.report.findings))


def _vehicle(
    node: str, plan: Path | None, part: Path | None, bit_rate: int, data_bit_rate: int | None
) -> Vehicle:
    if plan is not None:
        from busplan.plan.load import load_plan

        return load_plan(plan)
    from busplan.plan.single import vehicle_of_part

    assert part is not None
    return vehicle_of_part(part, node, bit_rate=bit_rate, data_bit_rate=data_bit_rate)


def _limits(
    tolerance: float,
    gap_cycles: float,
    power_on: float,
    start_within: float | None,
    checksum: list[str] | None,
) -> BenchLimits:
    from busplan.bench.model import BenchLimits
    from busplan.decode.protection import KINDS
    from busplan.errors import UsageError

    kinds = {k.name: k for k in KINDS}
    told = {}
    for text in checksum or []:
        message, equals, kind = text.partition("=")
        if not equals or kind not in kinds:
            raise UsageError(f"--checksum {text!r}: write MESSAGE=KIND; kinds: {', '.join(kinds)}")
        told[message] = kinds[kind]
    return BenchLimits(
        cycle_tolerance=tolerance,
        gap_cycles=gap_cycles,
        power_on_ns=round(power_on * 1e9),
        start_within_ns=None if start_within is None else round(start_within * 1e9),
        checksums=told,
    )


def _test(
    vehicle: Vehicle,
    node: str,
    network: str | None,
    limits: BenchLimits,
    *,
    capture: Path | None,
    interface: str | None,
    seconds: float,
    folder: Path | None,
    questions: list[str] | None,
    cache: bool,
    serial: str,
    tester: str,
) -> BenchRecord:
    from dataclasses import replace
    from datetime import datetime

    from busplan.bench.joining import joining_lines
    from busplan.bench.model import verdict_of
    from busplan.bench.prove import network_of, prove_node
    from busplan.bench.record import BenchRecord
    from busplan.findings import by_weight

    now = datetime.now().astimezone()
    place = network_of(vehicle, node, network)
    asked: tuple[Finding, ...] = ()
    if capture is not None:
        table, file, digest = _from_file(capture, vehicle, place, cache=cache)
    else:
        assert interface is not None
        spec = _spec(interface, vehicle, place)
        target = (folder or Path()) / f"bench-{node}-{now:%Y%m%d-%H%M%S}.log"
        table, asked = _listen(spec, target, seconds, vehicle, node, questions, cache=cache)
        file, digest = target.name, _sha256(target)
    report = prove_node(table, vehicle, node, place, limits)
    findings = tuple(by_weight((*report.findings, *asked)))
    report = replace(report, findings=findings, verdict=verdict_of(findings))
    return BenchRecord(
        report,
        now,
        tester,
        serial,
        file,
        digest,
        vehicle.invented,
        joining_lines(vehicle, report),
    )


def _from_file(
    path: Path, vehicle: Vehicle, network: str, *, cache: bool
) -> tuple[FrameTable, str, str]:
    """The capture's frames with network names; a capture of one channel is the bench's network."""
    from busplan.capture.capture import apply_plan
    from busplan.cli.output import print_findings

    read = open_capture([path], cache=cache)
    if len(read.channels) == 1:
        table = read.frames.relabel({read.channels[0].name: network})
        findings = read.findings
    else:
        applied = apply_plan(read, vehicle)
        table, findings = applied.frames, applied.findings
    print_findings(findings, details=False, err=True)
    return table, path.name, _sha256(path)


def _sha256(path: Path) -> str:
    import hashlib

    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _spec(interface: str, vehicle: Vehicle, network: str) -> InterfaceSpec:
    from dataclasses import replace

    from busplan.live.interfaces import parse_interface

    where = vehicle.networks[network]
    return replace(
        parse_interface(f"{network}={interface}"),
        bit_rate=where.bit_rate,
        data_bit_rate=where.data_bit_rate,
    )


def _listen(
    spec: InterfaceSpec,
    target: Path,
    seconds: float,
    vehicle: Vehicle,
    node: str,
    questions: list[str] | None,
    *,
    cache: bool,
) -> tuple[FrameTable, tuple[Finding, ...]]:
    """Record for a while, then, when the user said so, ask and wait for the answers."""
    from busplan.capture.frames import FrameTable
    from busplan.cli.record import Display, run_until_interrupted
    from busplan.live.log_writer import LogWriter
    from busplan.live.recorder import Journal, Recorder

    target.parent.mkdir(parents=True, exist_ok=True)
    typer.echo(f"listening for {seconds:g} s into {target}", err=True)
    with Display() as display:
        recorder = Recorder(
            [spec],
            LogWriter(target),
            Journal(target.with_name(target.name + ".journal")),
            on_status=display.update,
        )
        status = run_until_interrupted(recorder, seconds)
    asked = () if questions is None else _ask(spec, vehicle, node, questions)
    if not status.written:
        return FrameTable.empty([spec.network]), asked
    return open_capture([target], cache=cache).frames, asked


def _ask(
    spec: InterfaceSpec, vehicle: Vehicle, node: str, questions: list[str]
) -> tuple[Finding, ...]:
    from busplan.live.asking import (
        answer_findings,
        ask,
        j1939_questions,
        own_address,
        parse_question,
    )
    from busplan.live.interfaces import open_receiver, open_sender

    own = [s.message for s in vehicle.on(spec.network) if s.node == node]
    wanted = [parse_question(text) for text in questions]
    address = own_address(own)
    if address is not None:
        wanted += j1939_questions(own, address)
    if not wanted:
        typer.echo("nothing to ask: this network has no J1939 layout; use --ask", err=True)
        return ()
    typer.echo(TRANSMIT_CAUTION, err=True)
    receiver = open_receiver(spec)
    try:
        sender = open_sender(spec)
        try:
            answers = [ask(sender, receiver, q) for q in wanted]
        finally:
            sender.close()
    finally:
        receiver.close()
    return answer_findings(answers, spec.network, node)


def _print(made: BenchRecord, as_json: bool) -> None:
    from busplan.bench.record import MESSAGE_HEAD, as_dict, facts, headline, message_rows
    from busplan.cli.output import print_findings, print_json, print_table

    if as_json:
        print_json(as_dict(made))
        return
    typer.echo(headline(made) + (" (invented demo data)" if made.invented else ""))
    typer.echo()
    for name, value in facts(made)[:-1]:
        typer.echo(f"{name:<18} {value}")
    typer.echo()
    columns = [i for i, head in enumerate(MESSAGE_HEAD) if head != "jitter ms"]  # 80 columns hold
    print_table(
        [MESSAGE_HEAD[i].removesuffix(" ms") for i in columns],
        [[row[i] for i in columns] for row in message_rows(made.report)],
        right=frozenset(range(2, 6)),
    )
    typer.echo("stated and median cycle time and longest gap in ms")
    typer.echo()
    print_findings(made.report.findings)
    if made.joining:
        typer.echo()
        for line in made.joining:
            typer.echo(line)
    if not made.report.frames:
        typer.echo("\nNothing arrived: busplan bench --wiring says what to measure.")


def _write(made: BenchRecord, folder: Path) -> None:
    import json

    from busplan.bench.record import as_dict, to_html, to_markdown
    from busplan.errors import UsageError

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for ending, text in (
            ("json", json.dumps(as_dict(made), indent=2, ensure_ascii=False) + "\n"),
            ("md", to_markdown(made)),
            ("html", to_html(made)),
        ):
            path = folder / f"{made.stem}.{ending}"
            path.write_text(text, encoding="utf-8")
            typer.echo(f"record: {path}", err=True)
    except OSError as error:
        raise UsageError(f"{folder}: the record cannot be written: {error.strerror}") from error


def _print_wiring() -> None:
    from busplan.bench.wiring import POWER_OFF_FIRST, STEPS
    from busplan.cli.output import CAUTION_LINE, print_text

    typer.echo(CAUTION_LINE)
    print_text(POWER_OFF_FIRST)
    for number, step in enumerate(STEPS, 1):
        typer.echo(f"\n{number}. {step.measure}")
        print_text(step.expect, lead="expect: ", indent=3)
        print_text(step.otherwise, lead="else:   ", indent=3)


def _search(interface: str | None) -> None:
    from busplan.errors import UsageError
    from busplan.live.bit_rate import Heard, find_bit_rate
    from busplan.live.interfaces import parse_interface

    if interface is None:
        raise UsageError("--find-bit-rate needs --interface KIND:CHANNEL")

    def show(heard: Heard) -> None:
        typer.echo(f"{heard.bit_rate:>9,} bit/s: {heard.frames} frames, {heard.errors} errors")

    heard = find_bit_rate(parse_interface(f"bench={interface}"), progress=show)
    if heard[-1].fits:
        typer.echo(f"the bus runs at {heard[-1].bit_rate:,} bit/s")
        return
    typer.echo("no bit rate fits: is a node sending? busplan bench --wiring says what to measure")
    raise typer.Exit(1)
