"""What a node would do to its network."""

from dataclasses import replace

import numpy as np
import pytest
from support.bench import PLANS, as_built, charger_rows, charger_streams, table_of

from busplan.bench.joining import Shift, as_measured, join, joining_lines
from busplan.bench.node_report import Unknown
from busplan.bench.prove import prove_node
from busplan.checks.planned_load import network_load
from busplan.definitions.model import Origin, Stated
from busplan.plan.single import vehicle_of_part
from busplan.plan.vehicle import Stream, Vehicle


def report_of(rows: list[tuple[int, int, bytes]]):  # type: ignore[no-untyped-def]
    return prove_node(table_of(rows), as_built(), "charger")


def test_a_node_that_behaves_brings_the_network_to_the_planned_load() -> None:
    joining = join(as_built(), report_of(charger_rows()))
    planned = network_load(as_built(), "charge").worst
    assert abs(joining.load_after - planned) < 1e-9
    assert joining.load_before < planned
    assert joining.findings == ()
    assert not any(s.late for s in joining.shifts)


def test_a_quicker_node_and_a_stranger_add_their_measured_share() -> None:
    quick = charger_streams()["ChargerOutput"].message
    rows = [r for r in charger_rows() if r[1] != quick.identifier]
    rows += [(t * 10_000_000, quick.identifier, bytes(8)) for t in range(2000)]
    rows += [(t * 10_000_000 + 3_000_000, 0x18FF77E5, bytes(8)) for t in range(2000)]
    joining = join(as_built(), report_of(rows))
    planned = network_load(as_built(), "charge").worst
    # 160 bits worst case (references: 80 + 10 s with s = 8) at 250 kbit/s, every 10 ms.
    each = 160 / 250_000
    assert abs(joining.load_after - (planned - each * 10 + each * 200)) < 1e-6


def test_the_others_wait_longer_when_the_node_is_there() -> None:
    joining = join(as_built(), report_of(charger_rows()))
    assert all(
        s.before_ns is not None and s.after_ns is not None and s.after_ns >= s.before_ns
        for s in joining.shifts
    )
    lines = joining_lines(as_built(), report_of(charger_rows()))
    assert lines[0].startswith("charge would go from ")


def test_an_identifier_that_clashes_on_the_network_is_a_new_finding() -> None:
    other = next(s for s in as_built().on("charge") if s.node == "dcdc").message
    rows = [*charger_rows(), *((t * 10**8, other.identifier, bytes(8)) for t in range(200))]
    joining = join(as_built(), report_of(rows))
    assert "identifier-clash" in {f.code for f in joining.findings}
    assert any("identifier-clash" in line for line in joining_lines(as_built(), report_of(rows)))


def test_a_part_without_a_plan_joins_nothing() -> None:
    vehicle = vehicle_of_part(PLANS / "charger.dbc", "CHARGER", bit_rate=250_000)
    table = table_of(charger_rows(5), "bench")
    report = prove_node(table, vehicle, "CHARGER")
    assert report.frames > 0
    assert joining_lines(vehicle, report) == ()


@pytest.mark.parametrize(
    ("before", "after", "late"),
    [
        (10, 10, False),
        (10, 11, True),
        (5, 11, True),
        (11, 12, False),  # late already, so not the node's doing
        (10, None, True),
        (None, None, False),
    ],
)
def test_late_is_what_was_in_time_without_the_node(
    before: int | None, after: int | None, late: bool
) -> None:
    stream = as_built().streams[0]
    assert Shift(stream, before, after, 10).late is late
    assert not Shift(stream, before, after, None).late


def measured(vehicle: Vehicle, rows: list[tuple[int, int, bytes]], name: str) -> Stream:
    report = prove_node(table_of(rows), vehicle, "charger")
    streams = as_measured(vehicle, report).on("charge")
    return next(s for s in streams if s.message.name == name and s.node == "charger")


def paced(gaps_ms: list[int], length: int = 8) -> list[tuple[int, int, bytes]]:
    """ChargerOutput with these distances, beside the rest."""
    output = charger_streams()["ChargerOutput"].message
    rows = [r for r in charger_rows() if r[1] != output.identifier]
    times = np.cumsum([0, *gaps_ms]) * 1_000_000
    rows += [(int(t), output.identifier, bytes(8)) for t in times]
    rows[-1] = (*rows[-1][:2], bytes(length))
    return rows


def test_the_node_joins_with_its_measured_cycle_jitter_and_longest_payload() -> None:
    """Distances of 110 ms, 130 ms for every tenth: the median, and what lies beside it."""
    gaps = [130 if k % 10 == 9 else 110 for k in range(170)]
    stream = measured(as_built(), paced(gaps, length=9), "ChargerOutput")
    assert stream.cycle is not None
    assert (stream.cycle.ns, stream.cycle.origin) == (110_000_000, Origin.MEASURED)
    assert stream.jitter_ns == 20_000_000
    assert stream.message.length == 9
    # Its deadline was its cycle, so it is the measured cycle now.
    assert stream.deadline == stream.cycle


def test_a_deadline_of_its_own_stays() -> None:
    own = Stated(70_000_000, Origin.PLAN)
    streams = tuple(
        replace(s, deadline=own) if s.message.name == "ChargerOutput" else s
        for s in as_built().streams
    )
    vehicle = replace(as_built(), streams=streams)
    assert measured(vehicle, paced([110] * 170), "ChargerOutput").deadline == own


def test_an_event_joins_with_its_shortest_distance_and_no_jitter() -> None:
    streams = tuple(
        replace(s, event=True) if s.message.name == "ChargerOutput" else s
        for s in as_built().streams
    )
    vehicle = replace(as_built(), streams=streams)
    stream = measured(vehicle, paced([500, 700, 95, 900] * 8), "ChargerOutput")
    assert stream.cycle is not None
    assert (stream.cycle.ns, stream.jitter_ns) == (95_000_000, 0)


@pytest.mark.parametrize(
    ("longest", "fd", "length"), [(8, False, 8), (9, True, 12), (64, True, 64), (65, False, 65)]
)
def test_a_stranger_on_a_fd_network_is_as_long_as_a_frame_can_be(
    longest: int, fd: bool, length: int
) -> None:
    """CAN FD carries up to 64 bytes, in steps: 8, 12, 16, 20, 24, 32, 48, 64 (ISO 11898-1)."""
    vehicle = vehicle_of_part(
        PLANS / "charger.dbc", "CHARGER", bit_rate=500_000, data_bit_rate=2_000_000
    )
    report = prove_node(table_of(charger_rows(5), "bench"), vehicle, "CHARGER")
    stranger = Unknown("0x18FF77E5", 5, (3, longest), None, 0)
    message = as_measured(vehicle, replace(report, unknown=(stranger,))).streams[-1].message
    assert (message.fd, message.length) == (fd, length)
    assert (message.j1939 is not None) is (longest > 64)


def test_what_was_not_measured_is_not_told_as_measured() -> None:
    gone = charger_streams()["ChargerTemperatures"].message
    lines = joining_lines(
        as_built(), report_of([r for r in charger_rows() if r[1] != gone.identifier])
    )
    assert "never came, so counted as defined: ChargerTemperatures" in lines
    assert not any(
        "never came" in line for line in joining_lines(as_built(), report_of(charger_rows()))
    )
    assert joining_lines(as_built(), report_of([])) == ()
