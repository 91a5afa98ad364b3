"""Routes that bring several senders to one place."""

from dataclasses import replace

import pytest
from support.vehicles import stream, vehicle

from busplan.checks import run_checks
from busplan.definitions.model import Signal
from busplan.findings import Weight
from busplan.plan.route import Route
from busplan.plan.vehicle import Network, Stream

TORQUE = Signal("Torque", 0, 16, False, True, False)
NETWORKS = [Network(n, 500_000) for n in ("front", "rear", "drive")]


def torque(identifier: int, network: str, node: str) -> Stream:
    sent: Stream = stream(identifier, network=network, node=node, name=f"Status{identifier}")
    return replace(sent, message=replace(sent.message, signals=(TORQUE,)))


def route(source: str, what: str = "Torque", kind: str = "signal") -> Route:
    return Route(f"{what} {source}", kind, what, source, "drive", "gate")  # type: ignore[arg-type]


GATE = [
    torque(9, "drive", "gate"),
    stream(8, network="front", node="gate"),
    stream(8, network="rear", node="gate"),
]


@pytest.mark.parametrize(
    ("senders", "routes", "mixed"),
    [
        ([("front", "f"), ("rear", "r")], ["front", "rear"], True),
        ([("front", "f"), ("front", "r")], ["front"], True),
        ([("front", "f"), ("rear", "r")], ["front"], False),
        ([("front", "f")], ["front", "rear"], False),
    ],
)
def test_two_senders_in_one_signal_of_a_gateway_are_found(
    senders: list[tuple[str, str]], routes: list[str], mixed: bool
) -> None:
    sent = [torque(i + 1, network, node) for i, (network, node) in enumerate(senders)]
    van = vehicle([*sent, *GATE], NETWORKS, routes=[route(r) for r in routes])
    found = run_checks(van, ["route-sources-mixed"])
    assert bool(found) is mixed
    for finding in found:
        assert finding.weight is Weight.CAUTION
        assert "f on front (Status1)" in finding.summary
        assert "r on" in finding.summary
        assert (finding.where.network, finding.where.node) == ("drive", "gate")


def test_a_message_of_one_name_from_two_networks_is_found() -> None:
    sent = [
        stream(1, network="front", node="f", name="Status"),
        stream(1, network="rear", node="r", name="Status"),
    ]
    routes = [route("front", "Status", "message"), route("rear", "Status", "message")]
    van = vehicle([*sent, *GATE], NETWORKS, routes=routes)
    assert len(run_checks(van, ["route-sources-mixed"])) == 1
    assert not run_checks(replace(van, routes=tuple(routes[:1])), ["route-sources-mixed"])
