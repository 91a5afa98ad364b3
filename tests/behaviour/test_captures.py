"""Behaviours by captures: rates, gaps, codes, silence and units, from frames to the verdict."""

from pathlib import Path

import numpy as np
import pytest
from support.plans import dbc, message, signal, write_plan

from busplan.behaviour.judge import judge_behaviours
from busplan.behaviour.report import BehaviourReport, Verdict
from busplan.errors import PlanError
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle

S, MS = 10**9, 10**6
SLOW = (
    dbc(
        ["SENSOR"],
        message(0x100, "Heat", "SENSOR", signal("Temperature", 0, 8, unit="degC")),
        message(0x101, "Count", "SENSOR", signal("Turns", 0, 8)),
        cycles={0x100: 100, 0x101: 100},
    ).replace("CM_", "")
    + 'VAL_ 256 Temperature 255 "not available";\n'
)
FAST = (
    dbc(
        ["FAN"],
        message(0x200, "Fan", "FAN", signal("FanState", 0, 2), signal("Current", 8, 8, unit="A")),
        cycles={0x200: 20},
    )
    + 'VAL_ 512 FanState 0 "Off" 1 "Running";\n'
)
PLAN = """\
[network.one]
bit_rate = 250_000
[network.two]
bit_rate = 500_000
[part.sensor]
definitions = "slow.dbc"
sender = "SENSOR"
[part.fan]
definitions = "fast.dbc"
sender = "FAN"
[node.sensor]
part = "sensor"
on = ["one"]
[node.fan]
part = "fan"
on = ["two"]
"""
FAN = """
[[behaviour]]
name = "fan"
becomes = { signal = "Temperature", above = 40 }
require = { signal = "FanState", is = "Running" }
within_s = 2
"""


@pytest.fixture(scope="module")
def vehicle_of(tmp_path_factory: pytest.TempPathFactory):
    def made(tables: str) -> Vehicle:
        folder = tmp_path_factory.mktemp("plan")
        return load_plan(write_plan(folder, PLAN + tables, slow=SLOW, fast=FAST))

    return made


def frames(*streams: tuple[int, int, np.ndarray, np.ndarray]) -> FrameTable:
    """Streams of (network, identifier, times [s], first two bytes) in order of time."""
    time = np.concatenate([np.round(t * S) for _, _, t, _ in streams]).astype(np.int64)
    order = np.argsort(time, kind="stable")
    network = np.concatenate([np.full(len(t), n) for n, _, t, _ in streams])
    identifier = np.concatenate([np.full(len(t), i) for _, i, t, _ in streams])
    payload = np.zeros((len(time), 8), np.uint8)
    payload[:, :2] = np.concatenate([b.reshape(len(b), -1)[:, [0, -1]] for *_, b in streams])
    return FrameTable.from_columns(
        ["one", "two"],
        time[order] + 1_700_000_000 * S,
        network[order],
        identifier[order],
        np.zeros(len(time)),
        np.full(len(time), 8),
        payload[order].reshape(-1),
    )


def heat(values, *, end: float = 20.0, gap: tuple[float, float] | None = None):
    time = np.arange(0.03, end, 0.1)
    value = np.select([time >= at for at, _ in reversed(values)], [v for _, v in reversed(values)])
    keep = np.ones(len(time), bool) if gap is None else (time < gap[0]) | (time >= gap[1])
    return 0, 0x100, time[keep], value[keep].astype(np.uint8)


def fan(on_s: float, *, end: float = 20.0, gap: tuple[float, float] | None = None):
    time = np.arange(0.0, end, 0.02)
    keep = np.ones(len(time), bool) if gap is None else (time < gap[0]) | (time >= gap[1])
    return 1, 0x200, time[keep], (time[keep] >= on_s).astype(np.uint8)


def one(report: BehaviourReport) -> Verdict:
    (verdict,) = report.verdicts
    return verdict


def test_networks_of_different_rates(vehicle_of) -> None:
    vehicle = vehicle_of(FAN)
    table = frames(heat([(0, 30), (5, 45)]), fan(6.5))
    verdict = one(judge_behaviours(table, vehicle))
    # The temperature passes 40 in the frame of 5.03 s, the fan runs in that of 6.5 s.
    assert (verdict.word, verdict.margin_s) == ("held", pytest.approx(5.03 + 2 - 6.5))
    assert verdict.resolution_s == pytest.approx(0.12)
    late = judge_behaviours(frames(heat([(0, 30), (5, 45)]), fan(9.0)), vehicle)
    assert one(late).margin_s == pytest.approx(5.03 + 2 - 9)
    (finding,) = late.findings
    assert finding.code == "behaviour-failed"
    assert finding.where.time_ns == round(5.03 * S)


def test_a_value_does_not_outlive_its_message(vehicle_of) -> None:
    vehicle = vehicle_of(FAN)
    # The fan's node is silent from 4 to 8 s: it may have run at 5.1 s, nobody knows.
    table = frames(heat([(0, 30), (5, 45)]), fan(9.0, gap=(4, 8)))
    verdict = one(judge_behaviours(table, vehicle))
    assert (verdict.word, verdict.unsure) == ("not shown", 1)
    # Silent from 5.6 s only: until 5.65 s, 2.5 cycles, the last value counts and the rest does not.
    table = frames(heat([(0, 30), (5, 45)]), fan(5.5, gap=(5.6, 8)))
    assert one(judge_behaviours(table, vehicle)).word == "held"


def test_a_code_is_no_value(vehicle_of) -> None:
    vehicle = vehicle_of(FAN)
    table = frames(heat([(0, 30), (5, 255), (7, 30)]), fan(99))
    verdict = one(judge_behaviours(table, vehicle))
    assert (verdict.word, verdict.came_up) == ("not shown", 0)
    assert verdict.unknown_s == pytest.approx(2.0, abs=0.01)


def test_a_gap_hides_when_it_came_up(vehicle_of) -> None:
    vehicle = vehicle_of(FAN)
    held = frames(heat([(0, 30), (5, 45)], gap=(4, 8)), fan(8.5))
    assert one(judge_behaviours(held, vehicle)).word == "not shown"
    failed = frames(heat([(0, 30), (5, 45)], gap=(4, 8)), fan(11))
    assert one(judge_behaviours(failed, vehicle)).word == "failed"


def test_what_was_not_recorded_is_told(vehicle_of) -> None:
    vehicle = vehicle_of(FAN)
    alone = judge_behaviours(frames(heat([(0, 30), (5, 45)])), vehicle)
    assert one(alone).reason == "nothing came on the network two"
    (finding,) = alone.findings
    assert finding.code == "behaviour-not-shown"


def test_silence_and_the_reaction_to_it(vehicle_of) -> None:
    vehicle = vehicle_of(
        '[[behaviour]]\nname = "stop"\nbecomes = { message = "sensor/Heat", silent_s = 0.3 }\n'
        'require = { signal = "Current", at_most = 2 }\nwithin_s = 1\n'
    )

    def current(stops_s: float):
        time = np.arange(0.0, 20.0, 0.02)
        value = np.where(time < stops_s, 40, 0)
        return 1, 0x200, time, np.stack([value * 0, value], 1).astype(np.uint8)

    silent = heat([(0, 30)], gap=(5, 9))
    verdict = one(judge_behaviours(frames(silent, current(6.0)), vehicle))
    # Last frame at 4.93 s, silent from 5.23 s on.
    assert (verdict.word, verdict.came_up) == ("held", 1)
    assert verdict.margin_s == pytest.approx(5.23 + 1 - 6.0)
    failed = one(judge_behaviours(frames(silent, current(7.0)), vehicle))
    assert (failed.word, failed.unit) == ("failed", "A")
    assert failed.margin_s == pytest.approx(5.23 + 1 - 7.0)
    # Another message of its network came; that this one is lost makes no sender that stopped.
    other = 0, 0x101, np.arange(0.0, 20.0, 0.1), np.zeros(200, np.uint8)
    lost = one(judge_behaviours(frames(other, current(0.0)), vehicle))
    assert lost.word == "not shown"
    assert "Heat never came, so that nobody saw it stop" in lost.reason


@pytest.mark.parametrize(("first_s", "word"), [(0.0, "held"), (0.4, "held"), (3.0, "failed")])
@pytest.mark.parametrize("never", [True, False])
def test_a_message_that_comes_throughout_was_never_silent(
    vehicle_of, first_s: float, word: str, never: bool
) -> None:
    claim = '{ message = "sensor/Heat", silent_s = 1 }'
    said = f"never = {claim}" if never else f"always = {{ not = {claim} }}"
    vehicle = vehicle_of(f'[[behaviour]]\nname = "talks"\n{said}\n')
    other = 0, 0x101, np.arange(0.0, 20.0, 0.1), np.zeros(200, np.uint8)
    network, identifier, time, data = heat([(0, 30)])
    late = network, identifier, time[time >= first_s], data[time >= first_s]
    assert one(judge_behaviours(frames(late, other), vehicle)).word == word


@pytest.mark.parametrize("shown", ["NotAvailable", "SNA", "unknown", "signal not available"])
@pytest.mark.parametrize(
    ("claim", "word"),
    [
        ('is_not = "Off"', "not shown"),
        ('is = "Running"', "not shown"),
        ('is = ["Running", "{shown}"]', "held"),
        ('is_not = "{shown}"', "held"),
    ],
)
def test_a_state_that_says_not_available_is_none(
    vehicle_of, monkeypatch: pytest.MonkeyPatch, shown: str, claim: str, word: str
) -> None:
    named = FAST.replace('1 "Running"', f'1 "Running" 3 "{shown}"')
    monkeypatch.setitem(globals(), "FAST", named)
    vehicle = vehicle_of(FAN.replace('is = "Running"', claim.replace("{shown}", shown)))
    time = np.arange(0.0, 20.0, 0.02)
    data = np.zeros((len(time), 2), np.uint8)
    data[time >= 5.5, 0] = 3
    capture = frames(heat([(0, 30), (5, 45)]), (1, 0x200, time, data))
    assert one(judge_behaviours(capture, vehicle)).word == word


def test_a_state_of_error_is_a_state(vehicle_of, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "FAST", FAST.replace('1 "Running"', '1 "Running" 3 "Error"'))
    vehicle = vehicle_of(FAN)
    time = np.arange(0.0, 20.0, 0.02)
    data = np.zeros((len(time), 2), np.uint8)
    data[time >= 5.5, 0] = 3
    capture = frames(heat([(0, 30), (5, 45)]), (1, 0x200, time, data))
    assert one(judge_behaviours(capture, vehicle)).word == "failed"


def test_a_counter_that_begins_anew_counts_on(vehicle_of) -> None:
    vehicle = vehicle_of(
        '[[behaviour]]\nname = "turns"\nalways = { signal = "Turns", '
        'counts_as = "Current", tolerance = 5 }\n'.replace("Current", "FanState")
    )
    time = np.arange(0.0, 60.0, 0.1)
    turns = 0, 0x101, time, (np.arange(len(time)) % 256).astype(np.uint8)
    # A counter of two bits on the other network, ten times as often: both begin anew many times.
    other = np.arange(0.0, 60.0, 0.1)
    fan_counts = 1, 0x200, other, (np.arange(len(other)) % 4).astype(np.uint8)
    verdict = one(judge_behaviours(frames(turns, fan_counts), vehicle))
    assert (verdict.word, verdict.margin) == ("held", pytest.approx(5.0, abs=1.0))


def test_signals_of_two_units_are_not_compared(vehicle_of) -> None:
    vehicle = vehicle_of(
        '[[behaviour]]\nname = "odd"\nalways = { signal = "Temperature", at_most = "Current" }\n'
    )
    with pytest.raises(PlanError, match=r"degC and .* in A"):
        judge_behaviours(frames(heat([(0, 30)]), fan(3)), vehicle)


def test_more_behaviours_than_are_kept_give_the_same(
    vehicle_of, monkeypatch: pytest.MonkeyPatch
) -> None:
    vehicle = vehicle_of(FAN + FAN.replace('"fan"', '"again"'))
    table = frames(heat([(0, 30), (5, 45)]), fan(6.5))
    kept = judge_behaviours(table, vehicle).as_dict()
    monkeypatch.setattr("busplan.behaviour.signals.KEPT_BYTES", 1)
    monkeypatch.setattr("busplan.behaviour.signals.ROWS_AT_ONCE", 7)
    assert judge_behaviours(table, vehicle).as_dict() == kept


def test_the_report_as_table_and_document(vehicle_of, tmp_path: Path) -> None:
    vehicle = vehicle_of(FAN)
    report = judge_behaviours(frames(heat([(0, 30), (5, 45)]), fan(9.0)), vehicle)
    frame = report.to_frame()
    assert frame.loc[0, "answer"] == "failed"
    assert frame.attrs["units"]["margin_s"] == "s"
    document = report.as_dict()
    assert document["counts"] == {"held": 0, "failed": 1, "not shown": 0}
    assert document["behaviours"][0]["failures"][0]["until_s"] == pytest.approx(9.0)
    assert "High voltage" in document["cautions"]
