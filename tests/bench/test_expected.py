"""Versions and settings that nodes tell, against what the plan expects."""

import numpy as np
import pytest
from support.plans import PLAN, PUMP, VCU, write_plan
from support.transport_traffic import segmented

from busplan.bench.expected import Heard, told_of_node
from busplan.bench.run import BenchTest
from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message
from busplan.errors import PlanError
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import FrameTable
from busplan.live.questions import questions_for
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
    found = told_of_node(Heard(v, frames(*rows)), v.expected["pump"])
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
    assert told_of_node(Heard(v, FrameTable.empty(["main"])), v.expected["pump"]) is None


def test_signals_it_does_not_send(tmp_path) -> None:
    with pytest.raises(PlanError, match="PumpSpeed"):
        vehicle(tmp_path, "signals = { PumpSped = 1 }")


def test_a_vin_and_a_component_by_connection(tmp_path) -> None:
    # SAE J1939-21: request to send (control byte 16) to one node, clear to send, packets, end
    # acknowledged (19); group 65260 is the VIN with "*" behind it, 65259 make*model*serial*unit*.
    def sent(group: int, text: bytes) -> list[tuple[int, bytes]]:
        number = group.to_bytes(3, "little")
        size, packets = len(text), -(-len(text) // 7)
        parts = [text[7 * n : 7 * n + 7].ljust(7, b"\xff") for n in range(packets)]
        return [
            (0x1CECF980, bytes([16, size, 0, packets, 255]) + number),
            (0x1CEC80F9, bytes([17, packets, 1, 255, 255]) + number),
            *((0x1CEBF980, bytes([n]) + part) for n, part in enumerate(parts, 1)),
            (0x1CEC80F9, bytes([19, size, 0, packets, 255]) + number),
        ]

    vin = sent(65260, b"INVENTED000000017*")
    made = sent(65259, b"Pellory*P5*SN-0042**")
    assert told(tmp_path, 'vin = "INVENTED000000017"', *vin)[0] == "good"
    assert told(tmp_path, 'vin = "INVENTED000000018"', *vin)[0] == "bad"
    assert told(tmp_path, 'component = "SN-0042"', *vin, *made)[0] == "good"
    answer, text = told(tmp_path, 'component = "SN-0041"', *made)
    assert answer == "bad"
    assert "Pellory, P5 and SN-0042, not SN-0041" in text


def answered(identifier: int, number: int, content: bytes) -> list[tuple[int, bytes]]:
    """An answer to "read data by identifier" (ISO 14229-1, service 0x22) by ISO 15765-2."""
    data = bytes([0x62]) + number.to_bytes(2, "big") + content
    return [(f.identifier, f.payload) for f in segmented(identifier, data)]


ANSWERS = "[node.pump.expect.answers]\nfrom = 0x7E8\nask = 0x7E0\nread = { 0xF195 = %s }"


@pytest.mark.parametrize(
    ("expected", "content", "answer"),
    [
        ('"T2.07"', b"T2.07", "good"),
        ('"T2.07 build 118"', b"T2.07 build 118\x00\x00", "good"),
        ('["T2.06", "T2.07"]', b"T2.07", "good"),
        ('"T2.06"', b"T2.07", "bad"),
        ("519", b"\x02\x07", "good"),
        ('"02 07"', b"\x02\x07", "good"),
        ("520", b"\x02\x07", "bad"),
        ('"T2.07"', None, "not shown"),
    ],
)
def test_an_answer_to_a_diagnostic_tool(tmp_path, expected, content, answer) -> None:
    rows = answered(0x7E8, 0xF195, content) if content else answered(0x7E8, 0xF18C, b"17")
    # A refusal (0x7F, ISO 14229-1) says nothing of the value.
    rows.append((0x7E8, bytes([3, 0x7F, 0x22, 0x31, 0, 0, 0, 0])))
    found, text = told(tmp_path, f"\n{ANSWERS % expected}", *rows)
    assert found == answer
    assert "supplier's software version" in text


def test_answers_of_identical_parts(tmp_path) -> None:
    spare = "[node.spare.expect.answers]\nfrom = 0x7E9"
    expect = f'alike = ["0xF195"]\n{ANSWERS % 1}\n{spare}'.replace("{ 0xF195 = 1 }", "{}")
    mine = answered(0x7E8, 0xF195, b"T2.07")
    same, other = (answered(0x7E9, 0xF195, c) for c in (b"T2.07", b"T2.06 with more"))
    assert told(tmp_path, expect, *mine, *same)[0] == "good"
    assert told(tmp_path, expect, *mine, *other)[0] == "bad"
    assert told(tmp_path, expect, *mine)[0] == "not shown"


def test_what_is_told_otherwise_is_a_finding_of_the_bench(tmp_path) -> None:
    expect = 'signals = { PumpSpeed = 15 }\nalike = ["PumpSpeed"]\n' + ANSWERS % '"T2.07"'
    v = vehicle(tmp_path, expect)
    table = frames(speed(14), speed(13, 0x130), *answered(0x7E8, 0xF18C, b"SN 0001 of 2026"))
    report = BenchTest.of(v, "pump").record(table).report
    found = {f.code: f for f in report.findings if f.code.startswith(("expected", "identical"))}
    assert found["expected-told-otherwise"].summary == "PumpSpeed of pump is 14, not 15"
    assert "PumpSpeed like spare of pump is 14, of spare 13" in (
        found["identical-parts-differ"].summary
    )
    assert "did not tell its supplier's software version" in found["expected-not-told"].summary
    # An identifier that the plan says it answers under is no unknown one.
    assert not [u for u in report.unknown if u.key.identifier == 0x7E8]


def test_what_is_expected_is_asked_for(tmp_path) -> None:
    expect = 'software = "2.4"\n' + ANSWERS % '"T2.07"'
    expected = vehicle(tmp_path, expect).expected["pump"]
    message = Message("Claim", 0x18EEFF80, True, 8, j1939=split_identifier(0x18EEFF80))
    asked = [q.frame for q in questions_for([message], (), expected)]
    # PGN 65242 = 0x00FEDA, least significant byte first (SAE J1939-21); service 0x22 of ISO 14229-1
    # in a single frame of three bytes (ISO 15765-2).
    assert "18EA80F9#DAFE00" in asked
    assert "7E0#0322F195" in asked
    assert [q.frame for q in questions_for([], (), None)] == []


WRONG = [
    (ANSWERS % 1 + "\nnetwork = 'main'", 'no network "main" of pump'),
    (ANSWERS.replace("0xF195", "version") % 1, "data identifier such as 0xF195"),
    ('alike = ["0xF195"]', "needs answers"),
]


@pytest.mark.parametrize(("expect", "words"), WRONG)
def test_a_mistake_in_what_is_expected(tmp_path, expect: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        vehicle(tmp_path, expect)
