"""What ``busplan bench`` shows: the record, the wiring table, the search for the bit rate."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import typer

from busplan.cli.output import say
from busplan.wording import counted, plain

if TYPE_CHECKING:
    from busplan.bench.record import BenchRecord


def print_record(made: BenchRecord, as_json: bool) -> None:
    """The record as a person reads it, or as JSON."""
    from busplan.bench.record import facts
    from busplan.bench.report_tables import MESSAGE_HEAD, message_rows
    from busplan.cli.output import print_findings, print_json, print_table, print_text

    if as_json:
        print_json(made.as_dict())
        return
    report = made.report
    say(report.headline + (" (invented demo data)" if report.invented else ""))
    say(report.counts)
    say()
    for name, value in facts(made)[:-1]:
        print_text(value, lead=f"{name:<15} ")
    say()
    columns = [i for i, head in enumerate(MESSAGE_HEAD) if head != "jitter ms"]  # 80 columns hold
    print_table(
        [MESSAGE_HEAD[i].removesuffix(" ms") for i in columns],
        [[row[i] for i in columns] for row in message_rows(report)],
        right=frozenset(range(2, 6)),
    )
    say("stated and median cycle time and longest gap in ms")
    for message in report.messages:
        for signal in message.signals:
            if signal.role in ("counter", "checksum") and signal.detail:
                print_text(f"{message.message.name}/{signal.name}: as sent, {signal.detail}")
    say()
    if report.findings:
        print_findings(report.findings)
    else:
        say("no findings")
    if made.joining:
        say("", "On its network, as measured:")
        for line in made.joining:
            print_text(line, indent=2)
    if not report.frames:
        say("", "Nothing arrived: busplan bench --wiring says what to measure.")
    if sys.stdout.isatty():  # the first line has left the screen
        say("", report.headline)


def print_wiring(*, as_json: bool) -> None:
    """What to measure when nothing arrives."""
    from busplan.bench.wiring import POWER_OFF_FIRST, STEPS
    from busplan.cli.output import print_json, print_text
    from busplan.wording import CAUTION

    if as_json:
        steps = [step._asdict() for step in STEPS]
        print_json({"cautions": [CAUTION, POWER_OFF_FIRST], "steps": steps})
        return
    print_text(CAUTION)
    print_text(POWER_OFF_FIRST)
    for number, step in enumerate(STEPS, 1):
        say("", f"{number}. {step.measure}")
        print_text(step.expect, lead="expect: ", indent=3)
        print_text(step.otherwise, lead="else:   ", indent=3)


def search_bit_rate(interface: str | None, seconds: float, *, as_json: bool) -> None:
    """Try one bit rate after the other, listening only."""
    from dataclasses import asdict

    from busplan.cli.output import print_json, print_text
    from busplan.errors import UsageError
    from busplan.live.bit_rate import LEAST_S, USUAL_BIT_RATES, Heard, find_bit_rate
    from busplan.live.interface_spec import parse_single_interface

    if interface is None:
        raise UsageError("--find-bit-rate needs --interface KIND:CHANNEL")

    def show(heard: Heard) -> None:
        frames, errors = counted(heard.frames, "frame"), counted(heard.errors, "error")
        say(f"{heard.bit_rate:>9,} bit/s: {frames}, {errors}", err=as_json)

    each_s = max(LEAST_S, seconds / len(USUAL_BIT_RATES))
    say(
        f"listening for up to {plain(each_s, 2)} s at each of {len(USUAL_BIT_RATES)} bit rates, "
        f"{each_s * len(USUAL_BIT_RATES):.0f} s in all; --seconds sets it",
        err=True,
    )
    spec = parse_single_interface(interface)
    heard = find_bit_rate(spec, listen_s=each_s, progress=show)
    if as_json:
        found = heard[-1].bit_rate if heard[-1].fits else None
        print_json({"bit_rate": found, "heard": [asdict(h) for h in heard]})
        raise typer.Exit(0 if found else 1)
    if heard[-1].fits:
        say(f"the bus runs at {heard[-1].bit_rate:,} bit/s")
        return
    if any(h.errors for h in heard):
        most = max(heard, key=lambda h: h.errors)
        print_text(
            f"no bit rate fits, though something is sent (most errors at {most.bit_rate:,} bit/s): "
            "a node that nobody acknowledges gives errors at its right bit rate, too; have a "
            "second node on the bench, then see busplan bench --wiring"
        )
    else:
        print_text(
            f"nothing was heard at any bit rate: does a node send at least every "
            f"{plain(each_s, 2)} s? Give more --seconds; busplan bench --wiring says what to "
            f"measure"
        )
    raise typer.Exit(1)
