"""What a capture shows of the tests of a list, and that no room tells it better than another."""

import numpy as np
import pytest
from support.plans import PLAN, VCU, dbc, message, signal, write_plan

from busplan.commission.cover import Covered, results_of
from busplan.commission.state import FAILED, NOT_SHOWN, PROVEN
from busplan.findings import Finding, Weight, Where
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan

PUMP = dbc(
    ["PUMP", "VCU"],
    message(
        0x120,
        "PumpStatus",
        "PUMP",
        signal("PumpSpeed", 0, 16, unit="rpm", to="VCU"),
        signal("AliveCounter", 48, 4),
    ),
    message(0x150, "PumpOrder", "VCU", signal("PumpTarget", 0, 16, unit="rpm", to="PUMP")),
    cycles={0x120: 100, 0x150: 50},
)
TESTS = '\n[[test]]\nname = "pump alone"\nbench = "pump"\n'
STEPS_BACK = Finding("time-steps-back", Weight.CAUTION, Where(file="x.log"), "a clock went back")


def answer(tmp_path, modulus: int, *, skip: bool = False, tolerated=()) -> str:
    """A pump alone for a minute, whose counter starts again at ``modulus``."""
    vehicle = load_plan(write_plan(tmp_path, PLAN + TESTS, pump=PUMP, vcu=VCU))
    k = np.arange(600)
    data = np.zeros((600, 8), np.uint8)
    data[:, 0], data[:, 1] = (37 * k) & 255, (37 * k) >> 8 & 7
    data[:, 6] = (k + (skip & (k > 300)) * 3) % modulus
    table = FrameTable.from_columns(
        ["loop"],
        10**18 + k * 10**8,
        np.zeros(600),
        np.full(600, 0x120),
        np.zeros(600),
        np.full(600, 8),
        data.ravel(),
    )
    (result,) = results_of(Covered(vehicle, table, tuple(tolerated)), ["pump alone"])
    return result.answer


@pytest.mark.parametrize(
    ("modulus", "skip", "told"),
    [(16, False, PROVEN), (16, True, FAILED), (10, False, FAILED)],
)
def test_a_caution_of_a_node_has_failed_as_one_of_the_pack_has(
    modulus: int, skip: bool, told: str, tmp_path
) -> None:
    """A counter that returns below its defined top is a caution: a person accepts it by name."""
    assert answer(tmp_path, modulus, skip=skip) == told


def test_what_the_recording_has_to_put_up_with_is_no_failure_of_the_node(tmp_path) -> None:
    assert answer(tmp_path, 16, tolerated=[STEPS_BACK]) == NOT_SHOWN
    assert answer(tmp_path, 10, tolerated=[STEPS_BACK]) == FAILED


@pytest.mark.parametrize("by_s", [0.6, 600.0])
def test_a_clock_set_forward_is_no_silence_of_a_node_and_lowers_no_load(tmp_path, by_s) -> None:
    """Among others: the pump's counter runs on, and both fall silent at once. Common practice."""
    tests = TESTS + '\n[[test]]\nname = "load"\nload = "loop"\n'
    vehicle = load_plan(write_plan(tmp_path, PLAN + tests, pump=PUMP, vcu=VCU))
    k = np.arange(1800)
    pump = k % 3 == 0  # one frame in 100 ms of the pump, two of the unit that orders
    data = np.zeros((1800, 8), np.uint8)
    data[:, 0], data[:, 1] = (37 * k) & 255, (37 * k) >> 8 & 7
    data[:, 6] = k // 3 % 16
    time = 10**18 + k // 3 * 10**8 + np.array([0, 20, 70])[k % 3] * 10**6

    def told(time) -> dict[str, str]:
        table = FrameTable.from_columns(
            ["loop"],
            time,
            np.zeros(1800),
            np.where(pump, 0x120, 0x150),
            np.zeros(1800),
            np.full(1800, 8),
            data.ravel(),
        )
        return {r.test: r.answer for r in results_of(Covered(vehicle, table))}

    before = told(time)
    after = told(np.where(k < 1050, time, time + round(by_s * 1e9)))
    assert before["pump alone"] != FAILED
    assert after["pump alone"] == NOT_SHOWN
    assert (before["load"], after["load"]) == (PROVEN, NOT_SHOWN)
