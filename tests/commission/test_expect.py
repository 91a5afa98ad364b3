"""Versions and settings that nodes tell, against what the plan expects."""

import numpy as np
import pytest
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.commission.expect import told_of_node
from busplan.errors import PlanError
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle

SECOND = '\n[node.spare]\npart = "pump"\non = ["loop"]\nidentifier_offset = 0x10\n'


def vehicle(tmp_path, expect: str) -> Vehicle:
    plan = PLAN.replace("bit_rate = 250_000", "bit_rate = 250_000\nj1939 = true", 1)
    plan = plan.replace("[node.pump]\n", "[node.pump]\nsource_address = 0x80\n", 1)
    return load_plan(
        write_plan(tmp_path, plan + SECOND + f"[node.pump.expect]\n{expect}\n", pump=PUMP, vcu=VCU)
    )


def frames(*rows: tuple[int, bytes]) -> FrameTable:
    """Frames of (identifier, payload) on the loop, 29-bit above 0x7FF."""
    return FrameTable.from_columns(
        ["loop"],
        np.arange(len(rows)) * 10_000_000,
        np.zeros(len(rows)),
        [i for i, _ in rows],
        [EXTENDED if i > 0x7FF else 0 for i, _ in rows],
        [len(b) for _, b in rows],
        np.frombuffer(b"".join(b for _, b in rows), np.uint8),
    )


def speed(value: int, identifier: int = 0x120) -> tuple[int, bytes]:
    return identifier, value.to_bytes(2, "little") + bytes(6)


def told(tmp_path, expect: str, *rows: tuple[int, bytes]) -> tuple[str, str]:
    v = vehicle(tmp_path, expect)
    found = told_of_node(v, frames(*rows), v.expected["pump"])
    assert found is not None
    return found.answer.value, found.text


@pytest.mark.parametrize(
    ("rows", "answer"),
    [
        ([speed(14)], "good"),
        ([speed(15)], "good"),
        ([speed(13)], "bad"),
        ([speed(14), speed(13)], "bad"),
        ([(0x150, bytes(8))], "not shown"),
    ],
)
def test_a_version_in_a_signal(tmp_path, rows, answer: str) -> None:
    assert told(tmp_path, "signals = { PumpSpeed = [14, 15] }", *rows)[0] == answer


def test_parts_that_are_the_same_must_tell_the_same(tmp_path) -> None:
    alike = 'alike = ["PumpSpeed"]'
    assert told(tmp_path, alike, speed(3), speed(3, 0x130))[0] == "good"
    answer, text = told(tmp_path, alike, speed(3), speed(4, 0x130))
    assert answer == "bad"
    assert "PumpSpeed like spare is 3, not 4" in text
    assert told(tmp_path, alike, speed(3))[0] == "not shown"


def test_identification_by_broadcast(tmp_path) -> None:
    # SAE J1939-21: announcement of a broadcast (PGN 60416, control byte 32), then its packets
    # (PGN 60160); group 65242 carries "fields, text*" as SAE J1939-71 lays out.
    body = bytes([1]) + b"2.4.1*" + b"\xff\xff"
    announced = bytes([32, len(body), 0, 2, 0xFF]) + (65242).to_bytes(3, "little")
    rows = (
        (0x1CECFF80, announced),
        (0x1CEBFF80, bytes([1]) + body[:7]),
        (0x1CEBFF80, bytes([2]) + body[7:].ljust(7, b"\xff")),
    )
    assert told(tmp_path, 'software = "2.4.1"', *rows)[0] == "good"
    answer, text = told(tmp_path, 'software = "2.5"', *rows)
    assert answer == "bad"
    assert "software identification is 2.4.1, not 2.5" in text
    assert told(tmp_path, 'vin = "X"', *rows)[0] == "not shown"


def test_nothing_of_its_network_is_no_test(tmp_path) -> None:
    v = vehicle(tmp_path, "signals = { PumpSpeed = 1 }")
    assert told_of_node(v, FrameTable.empty(["main"]), v.expected["pump"]) is None


def test_signals_it_does_not_send(tmp_path) -> None:
    with pytest.raises(PlanError, match="PumpSpeed"):
        vehicle(tmp_path, "signals = { PumpSped = 1 }")
