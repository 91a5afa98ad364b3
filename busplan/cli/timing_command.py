"""``busplan timing``: the worst-case response time of every message, and what follows from it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.narrowing import narrowed
from busplan.cli.options import BriefOption, CodeOption, JsonOption, NetworkInDetail, PlanFile
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    is_narrow,
    is_slim,
    print_grouped,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.wording import percent, plain

if TYPE_CHECKING:
    from busplan.checks.timing_report import MessageRow, NetworkRow, RouteRow, TimingReport
    from busplan.timing.response import NetworkTiming
    from busplan.timing.slack import Slack


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("timing", epilog=EXIT_BY_FINDINGS)(timing)


def timing(
    plan: PlanFile,
    network: NetworkInDetail = None,
    faults: Annotated[
        float | None,
        typer.Option(
            "--faults", help="Assume a bus error on each network every so many ms.", min=0.001
        ),
    ] = None,
    code: CodeOption = None,
    brief: BriefOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show proven worst-case response times, routes and slack.

    Example: busplan timing dbc_examples/as_bought.toml --network body
    """
    from busplan.checks.timing_report import timing_report
    from busplan.plan.reader import load_plan

    interval_ns = None if faults is None else round(faults * 1e6)
    report = timing_report(load_plan(plan), network, fault_interval_ns=interval_ns)
    report = replace(report, findings=narrowed(report.findings, codes=code))
    if as_json:
        print_json(report.as_dict())
    else:
        in_detail = bool(network) or len(report.networks) == 1
        _print(report, in_detail=in_detail and not brief, brief=brief, whole=bool(code))
    raise typer.Exit(exit_code(report.findings))


def _print(report: TimingReport, *, in_detail: bool, brief: bool, whole: bool) -> None:
    from busplan.checks.timing_report import BASIS

    print_text(f"{report.vehicle.label}: response times")
    print_text(BASIS)
    _print_networks(report)
    if in_detail:
        messages = report.message_table().rows
        for name, rows in groupby(messages, key=lambda row: row.network):
            _print_slack(next(s for s in report.slacks if s.network == name))
            _print_messages(name, list(rows))
    _print_unproven(report.networks)
    if not brief:
        _print_routes(report)
    if report.findings:
        say()
        print_grouped(report.findings, brief=brief, whole=whole)
    elif not in_detail:
        say("", "Message by message: --network NAME")


def _print_networks(report: TimingReport) -> None:
    """One row a network: load, what is late, the tightest message, and the slack."""
    rows = report.network_table().rows
    say()
    print_table(
        ["network", "load", "late", "grow", "lowest rate", "errors each", "tightest", "ms"],
        [
            [
                row.network,
                percent(row.load),
                f"{row.late}/{row.messages}",
                *_slack(row),
                row.tightest or "",
                _tightest(row),
            ]
            for row in rows
        ],
        right=frozenset({1, 2, 3, 4, 5, 7}),
        shrink=frozenset({0, 6}),
        whole=True,
        glued=frozenset({7}),
    )
    print_text(
        "grow: how many times as often everything can be sent before a deadline is missed; lowest "
        "rate: standard bit rate at which deadlines and load limit still hold (* not spoken by "
        "all parts); errors each: closest bus errors that every deadline survives, error counters "
        "left out; tightest: the message with the least headroom, its worst case and deadline"
    )
    for row in rows:
        if row.assumed_fault_interval_ms:
            interval = _figure(row.assumed_fault_interval_ms)
            print_text(f"{row.network}: assumes one bus error each {interval} ms")


def _print_slack(slack: Slack) -> None:
    """What the slack of one network depends on, in sentences."""
    from busplan.checks.wording import rate
    from busplan.wording import listing

    name, first = slack.network, slack.limited_by
    if slack.growth is None and first is not None:
        print_text(f"{name}: {first.message.name} of {first.node} is late however rarely all send")
    elif slack.growth is not None and first is not None:
        print_text(
            f"{name}: sent more than {_figure(slack.growth)} times as often, the first to be late "
            f"is {first.message.name} of {first.node}"
        )
    if slack.lowest_bit_rate is not None and slack.not_spoken_by:
        print_text(
            f"{name}: {rate(slack.lowest_bit_rate)} is not stated for "
            f"{listing(slack.not_spoken_by, 8)}"
        )
    if slack.fault_interval_ns is not None:
        interval = _figure(slack.fault_interval_ns / 1e6)
        print_text(
            f"{name}: bus errors no closer than {interval} ms make no message late; a node whose "
            "frames fail more than once in nine leaves the bus before that (ISO 11898-1, from "
            "memory)"
        )


def _slack(row: NetworkRow) -> tuple[str, str, str]:
    """Growth, lowest bit rate and distance of errors; ``-`` where no message can be analysed."""
    from busplan.checks.wording import rate

    if row.growth is None and row.limited_by is None:
        return "-", "-", "-"
    grow = "no" if row.growth is None else f"x{_figure(row.growth)}"
    star = "*" if row.not_spoken_by else ""
    lowest = "none" if row.lowest_bit_rate is None else rate(row.lowest_bit_rate) + star
    return grow, lowest, _figure(row.least_fault_interval_ms, "none", " ms")


def _tightest(row: NetworkRow) -> str:
    """Worst case and deadline of the message with the least headroom [ms]."""
    if row.tightest is None:
        return ""
    if row.tightest_response_ms is None:
        return "no bound"
    return f"{_figure(row.tightest_response_ms)} of {_figure(row.tightest_deadline_ms)}"


_DEADLINE = {"plan": " p", "least distance": " c!", "cycle time": " c", None: ""}


def _print_messages(network: str, messages: Sequence[MessageRow]) -> None:
    """The messages of a network in order of arbitration, late ones marked."""
    say()
    print_text(f"{network}: messages, most urgent first (times in ms)")
    head = ["", "identifier", "message", "node", "worst", "deadline", "headroom", "waits for"]
    rows = [
        [
            ("#" if row.late else "") + ("+" if row.fifo else ""),
            row.identifier,
            row.message,
            row.node,
            _figure(row.response_ms, row.status),
            _figure(row.deadline_ms, "none", _DEADLINE[row.deadline_is]),
            _figure(row.headroom_ms),
            row.waits_for,
        ]
        for row in messages
    ]
    named = not is_slim() or len({row.identifier for row in messages}) < len(messages)
    _print_columns(head, rows, kept=3 if named else 2)
    print_text(
        "deadline: c the cycle time (c! least distance of events), p from the plan; waits for: the "
        "longest less urgent frame, then what adds most; + node queues first-in-first-out; # late"
    )


def _print_columns(
    head: list[str],
    rows: list[list[str]],
    *,
    kept: int,
    left_out: str | None = None,
) -> None:
    """A table whose times align right and whose names shrink, without the column left out."""
    shown = [c for c, name in enumerate(head) if name != left_out]
    numbers = ("worst", "deadline", "headroom")
    names = ("message", "carries", "node", "from", "to", "through", "waits for", "made of")
    print_table(
        [head[c] for c in shown],
        [[row[c] for c in shown] for row in rows],
        right=frozenset(i for i, c in enumerate(shown) if head[c] in numbers),
        shrink=frozenset(i for i, c in enumerate(shown) if head[c] in names),
        folded=frozenset(i for i, c in enumerate(shown) if head[c] in ("waits for", "made of")),
        whole=True,
        kept=kept,
    )


def _print_unproven(networks: Sequence[NetworkTiming]) -> None:
    from busplan.timing.queue_model import Status
    from busplan.wording import listing

    found = [r for one in networks for r in one.unproven]
    why = {
        Status.NO_PERIOD: "nobody states a period; each counts as one frame that delays the others",
        Status.TOO_LONG: "longer than one frame, and nobody says how it is sent in parts",
    }
    for status, told in why.items():
        labels = [r.stream.label for r in found if r.status is status]
        if labels:
            print_text(f"not analysed ({told}): {listing(labels, 8)}")


def _print_routes(report: TimingReport) -> None:
    if report.routes:
        say("", "routes, end to end (times in ms)")
        head = ["", "carries", "from", "to", "through", "worst", "deadline", "made of"]
        rows = [
            [
                "#" if row.late else "",
                row.what,
                row.source,
                row.target,
                row.through,
                _figure(row.latency_ms, "no bound"),
                _figure(row.deadline_ms),
                row.reason or _made_of(row),
            ]
            for row in report.route_table().rows
        ]
        _print_columns(head, rows, kept=4, left_out="through" if is_narrow() else None)
        if is_narrow():
            for line in _ways_through(report.route_table().rows):
                print_text(line)
        print_text(
            "made of: response of the source (> latency of the route before), delay of the "
            "gateway, period of its own message (0: passed on at once), response on the target"
        )
    if report.gateways:
        say("", "gateways, frames per second for their routes")
        print_table(
            ["gateway", "network", "in", "out"],
            [
                [g.node, g.network, _rate(g.taken_per_s, g.unknown), _rate(g.sent_per_s, 0)]
                for g in report.gateways
            ],
            right=frozenset({2, 3}),
            shrink=frozenset({0, 1}),
        )
        if any(g.unknown for g in report.gateways):
            say("?: messages without a stated period come on top")


def _ways_through(routes: Sequence[RouteRow]) -> Iterator[str]:
    """What each gateway carries, in the place of a column; routes by name where others between the
    same networks go through another one."""
    from busplan.wording import listing

    between: dict[tuple[str, str], set[str]] = {}
    for row in routes:
        between.setdefault((row.source, row.target), set()).add(row.through)
    ways: dict[str, dict[str, None]] = {}
    for row in routes:
        way = f"{row.source} to {row.target}"
        alone = len(between[row.source, row.target]) == 1
        ways.setdefault(row.through, {})[way if alone else f"{row.what} from {way}"] = None
    for gateway, carried in ways.items():
        yield f"through {gateway}: {listing(list(carried), 20)}"


def _made_of(row: RouteRow) -> str:
    parts = (row.before_ms or 0, row.delay_ms, row.sampling_ms, row.onward_ms or 0)
    return (">" if row.after else "") + "+".join(map(_figure, parts))


def _rate(per_s: float, unknown: int) -> str:
    return f"{plain(per_s)}{'?' if unknown else ''}"


def _figure(value: float | None, without: str = "", behind: str = "") -> str:
    """A number with as many digits as fit a column; ``without`` where there is none."""
    if value is None:
        return without
    return (f"{value:.0f}" if abs(value) >= 1000 else plain(value, 3)) + behind
