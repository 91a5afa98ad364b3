"""What routes do to values and frames on their way: range, steps, units, rings, time-outs."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from support.vehicles import MS, stream, vehicle

from busplan.checks import run_checks
from busplan.definitions.model import FixedMap, Signal
from busplan.findings import Finding, Weight
from busplan.plan.carrying import forwarded
from busplan.plan.route import Route
from busplan.plan.vehicle import Network, Stream

NETWORKS = [Network("a", 500_000), Network("b", 500_000), Network("c", 500_000)]


def holding(sent: Stream, *signals: Signal) -> Stream:
    return replace(sent, message=replace(sent.message, signals=signals))


def findings(
    streams: Sequence[Stream], routes: Sequence[Route], prefix: str = "route-"
) -> list[Finding]:
    van = vehicle(forwarded(streams, routes), NETWORKS, routes=routes)
    return [f for f in run_checks(van) if f.code.startswith(prefix)]


def converted(source: Signal, target: Signal, **route: Any) -> list[Finding]:
    streams = [
        holding(stream(1, node="x", name="From"), source),
        holding(stream(2, network="b", node="g", name="Into"), target),
        stream(3, node="g"),
    ]
    way = Route("r", "signal", "S", "a", "b", "g", renamed="T", **route)
    return findings(streams, [way])


S = Signal("S", 0, 8, scale=0.5, offset=-40, unit="°C")
"""-40 to 87.5 °C in steps of 0.5."""
T = replace(S, name="T")


@pytest.mark.parametrize(
    ("source", "target", "route", "codes"),
    [
        (S, T, {}, []),
        (S, replace(T, length=7), {}, ["route-range-cut"]),
        (replace(S, maximum=23.5, minimum=-40), replace(T, length=7), {}, []),
        (replace(S, maximum=24.5, minimum=-40), replace(T, length=7), {}, ["route-range-cut"]),
        (S, replace(T, scale=1), {}, ["route-resolution-lost"]),
        (S, replace(T, scale=0.1), {}, ["route-range-cut"]),
        (S, replace(T, scale=0.1, length=16), {}, []),
        (S, replace(T, is_float=True, length=32), {}, []),
        (replace(S, is_float=True, length=32), T, {}, ["route-range-cut"]),
        (S, replace(T, unit="K"), {}, ["route-unit-differs"]),
        (S, replace(T, unit="K", offset=233.15), {"offset": 273.15}, []),
        (S, replace(T, unit="K"), {"offset": 273.15}, ["route-range-cut"]),
        (S, replace(T, unit=""), {}, []),
        (S, T, {"scale": -1}, ["route-range-cut"]),
        (S, replace(T, signed=True, offset=0, length=9), {"scale": -1}, []),
    ],
)
def test_what_a_signal_loses_on_its_way(
    source: Signal, target: Signal, route: dict[str, Any], codes: list[str]
) -> None:
    assert [f.code for f in converted(source, target, **route)] == codes


def test_the_figures_of_a_range_that_does_not_fit() -> None:
    (found,) = converted(S, replace(T, length=7))
    assert found.weight is Weight.CAUTION
    assert [f.value for f in found.figures] == [-40, 87.5, -40, 23.5]


def test_values_of_other_names_are_told() -> None:
    off = replace(S, scale=1, offset=0, choices=FixedMap({0: "Off", 1: "On"}))
    other = replace(off, name="T", choices=FixedMap({0: "off", 1: "Fault"}))
    (found,) = converted(off, other)
    assert found.code == "route-names-differ"
    assert "1 is On there and Fault here" in found.summary
    assert not converted(off, replace(other, choices=FixedMap({0: "OFF"})))


@pytest.mark.parametrize(
    ("value", "good"), [(20, True), (87.5, True), (88, False), ("Lost", True), ("Gone", False)]
)
def test_what_is_put_in_after_a_time_out_must_fit(value: float | str, good: bool) -> None:
    named = replace(T, choices=FixedMap({255: "Lost"}))
    found = converted(S, named, timeout_ns=10**9, timeout_value=value)
    assert [f.code for f in found] == ([] if good else ["route-range-cut"])


def ring(kind: Any, *, node: str | None = None, same: bool = False) -> list[Finding]:
    """a to b through g and back through h (or g as well)."""
    back = "g" if same else "h"
    heat = Signal("Heat", 0, 8)
    streams = [
        holding(stream(1, node="x", name="Heat" if kind == "message" else "From"), heat),
        holding(stream(2, network="b", node="g", name="B"), heat),
        holding(stream(3, network="a", node=back, name="A"), heat),
    ]
    if kind == "message":
        streams = [
            streams[0],
            *(replace(s, message=replace(s.message, signals=())) for s in streams[1:]),
        ]
    routes = [
        Route("out", kind, "Heat", "a", "b", "g", node=node),
        Route("back", kind, "Heat", "b", "a", back),
    ]
    return [f for f in findings(streams, routes) if f.code == "route-loop"]


@pytest.mark.parametrize(
    ("kind", "weight"), [("message", Weight.FAULT), ("signal", Weight.CAUTION)]
)
def test_a_ring_of_gateways_is_told_once(kind: str, weight: Weight) -> None:
    (found,) = ring(kind)
    assert found.weight is weight
    assert "a to b through g, then b to a through h" in found.summary
    assert not ring(kind, node="x")
    assert not ring(kind, same=True)


def timed_out(
    limit_ms: float, *, event: bool = False, cycle_ms: float | None = 100
) -> list[Finding]:
    heat = Signal("Heat", 0, 8)
    streams = [
        holding(stream(1, node="x", name="From", cycle_ms=cycle_ms, event=event), heat),
        holding(stream(2, network="b", node="g", name="B", cycle_ms=50), heat),
        stream(3, node="g"),
    ]
    route = Route(
        name="r",
        kind="signal",
        what="Heat",
        source="a",
        target="b",
        through="g",
        delay_ns=2 * MS,
        timeout_ns=round(limit_ms * MS),
        timeout_value=0,
    )
    return findings(streams, [route])


def test_a_time_out_must_be_longer_than_the_worst_case() -> None:
    # Period 100 ms; the frame and the longest one before it, 135 bits of 2 µs each (Davis 2007).
    (found,) = timed_out(100.5)
    assert found.code == "route-timeout-short"
    assert [f.value for f in found.figures][:2] == [100.5, 100.54]
    assert not timed_out(100.54)


def test_a_time_out_must_be_longer_than_the_latency() -> None:
    # 10 ms apart, but the gateway's own message comes each 50 ms: 0.54 + 2 + 50 + 0.27.
    (found,) = timed_out(52, cycle_ms=10)
    assert found.figures[2].value == pytest.approx(52.81)
    assert not timed_out(52.81, cycle_ms=10)


def test_a_message_on_event_can_be_silent_longer_than_any_time_out() -> None:
    (found,) = timed_out(10_000, event=True)
    assert "on event" in found.summary


def test_two_messages_moved_to_one_identifier_are_told() -> None:
    streams = [stream(i, node=f"n{i}", name="Status") for i in (1, 2)]
    route = Route("r", "message", "Status", "a", "b", "g", identifier=0x55)
    assert [f.code for f in findings([*streams, stream(3, node="g")], [route])] == [
        "route-sources-mixed"
    ]
