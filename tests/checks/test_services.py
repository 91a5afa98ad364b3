"""Identifiers of ISO 15765-4 and CiA 301 (predefined connection set) used for something else."""

from dataclasses import replace

import pytest
from support.vehicles import stream, vehicle

from busplan.checks.services import check
from busplan.findings import Weight
from busplan.plan.vehicle import Network, Stream


def codes(*streams: Stream) -> list[str]:
    found = list(check(vehicle(streams)))
    assert all(f.weight is Weight.NOTE for f in found)
    return [f.code for f in found]


@pytest.mark.parametrize(
    ("identifier", "extended", "hit"),
    # ISO 15765-4: 7DF functional, 7E0 to 7E7 requests, 7E8 to 7EF answers; 18DB33F1, 18DAxxF1.
    [
        (0x7DE, False, False),
        (0x7DF, False, True),
        (0x7E0, False, True),
        (0x7EF, False, True),
        (0x7F0, False, False),
        (0x7DF, True, False),
        (0x18DB33F1, True, True),
        (0x18DA10F1, True, True),
        (0x18DC10F1, True, False),
    ],
)
def test_diagnostic_identifiers(identifier: int, extended: bool, hit: bool) -> None:
    assert codes(stream(identifier, extended=extended)) == ["diagnostic-identifiers"] * hit


@pytest.mark.parametrize(
    ("identifier", "hit"),
    # CiA 301 predefined connection set; process data alone is no reason for a note.
    [
        (0x000, True),
        (0x001, False),
        (0x080, True),
        (0x0FF, True),
        (0x100, True),
        (0x101, False),
        (0x181, False),
        (0x57F, False),
        (0x581, True),
        (0x67F, True),
        (0x701, True),
        (0x780, False),
    ],
)
def test_canopen_identifiers(identifier: int, hit: bool) -> None:
    assert codes(stream(identifier)) == ["canopen-identifiers"] * hit


def test_process_data_counts_beside_a_canopen_device() -> None:
    assert codes(stream(0x181), stream(0x201)) == []
    device = stream(0x701, name="Heartbeat")
    assert codes(stream(0x181), device) == ["canopen-identifiers"]


def test_a_message_that_says_so_is_no_trespasser() -> None:
    assert codes(stream(0x7E0, name="DiagRequest")) == []
    spoken = stream(0x7E8)
    assert codes(replace(spoken, message=replace(spoken.message, comment="UDS answers"))) == []


def test_one_note_for_a_whole_network() -> None:
    assert codes(*(stream(0x700 + i) for i in range(1, 40))) == ["canopen-identifiers"]


@pytest.mark.parametrize(("identifier", "answer"), [(0x7E0, "diagnostics"), (0x080, "canopen")])
def test_a_plan_answers_a_note_once(identifier: int, answer: str) -> None:
    for value, notes in ((None, 1), (True, 1), (False, 0)):
        network = Network("a", 500_000, **{answer: value})
        assert len(list(check(vehicle([stream(identifier)], [network])))) == notes


def test_a_network_that_speaks_canopen_names_its_process_data() -> None:
    network = Network("a", 500_000, canopen=True)
    assert len(list(check(vehicle([stream(0x181)], [network])))) == 1
