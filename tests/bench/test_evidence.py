"""What a bench test has to have seen before anything passes, and that less of it never helps."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom
from support.command import busplan

from busplan.bench.evidence import LEAST_FRAMES, hidden_share
from busplan.bench.node_report import UNPROVEN, BenchReport, NodeVerdict
from busplan.bench.prove import prove_node
from busplan.capture.textlog import write_textlog
from busplan.findings import Weight
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.single import vehicle_of_part
from busplan.plan.vehicle import Vehicle

PAGED, BEAT, EVENT = 291, 292, 293
DBC = """VERSION ""
BU_: UNIT
BO_ 291 Paged: 3 UNIT
 SG_ Page M : 0|8@1+ (1,0) [0|3] "" X
 SG_ Volts m0 : 8|16@1+ (0.1,0) [0|500] "V" X
 SG_ Amps m1 : 8|16@1+ (0.1,0) [0|500] "A" X
BO_ 292 Beat: 1 UNIT
 SG_ Alive : 0|8@1+ (1,0) [0|255] "" X
BO_ 293 Alarm: 1 UNIT
 SG_ Reason : 0|8@1+ (1,0) [0|255] "" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BO_ "GenMsgSendType" ENUM "cyclic","event";
BA_ "GenMsgCycleTime" BO_ 291 100;
BA_ "GenMsgCycleTime" BO_ 292 50;
BA_ "GenMsgSendType" BO_ 293 1;
"""
PLAN = """[network.bench]
bit_rate = 500_000
[part.unit]
definitions = "unit.dbc"
sender = "UNIT"
[node.unit]
part = "unit"
on = ["bench"]
"""
Row = tuple[float, int, bytes]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("unit")
    (made / "unit.dbc").write_text(DBC)
    (made / "plan.toml").write_text(PLAN)
    return made


@pytest.fixture(scope="module")
def unit(folder: Path) -> Vehicle:
    return vehicle_of_part(folder / "unit.dbc", "UNIT", bit_rate=500_000)


def rows(seconds: float, pages: Iterable[int] = (0, 1)) -> list[Row]:
    """A good node: *Paged* every 100 ms with its pages in turn, *Beat* every 50 ms, one *Alarm*."""
    page = list(pages)
    sent: list[Row] = [
        (0.1 * k, PAGED, bytes([page[k % len(page)], k % 200, 1])) for k in range(int(10 * seconds))
    ]
    sent += [(0.05 * k, BEAT, bytes([k % 256])) for k in range(int(20 * seconds))]
    return sorted([*sent, (seconds / 2, EVENT, b"\7")])


def table_of(sent: list[Row]) -> FrameTable:
    return FrameTable.from_columns(
        ["bench"],
        [10**18 + round(r[0] * 1e9) for r in sent],
        np.zeros(len(sent)),
        [r[1] for r in sent],
        np.zeros(len(sent)),
        [len(r[2]) for r in sent],
        np.frombuffer(b"".join(r[2] for r in sent), np.uint8),
    )


def prove(vehicle: Vehicle, sent: list[Row]) -> BenchReport:
    return prove_node(table_of(sent), vehicle, next(iter(vehicle.nodes)))


def codes(report: BenchReport) -> set[str]:
    return {f.code for f in report.findings if f.weight > Weight.NOTE}


def test_a_node_that_shows_everything_passes(unit: Vehicle) -> None:
    report = prove(unit, rows(3))
    assert codes(report) == set()
    assert report.verdict is NodeVerdict.PASS
    assert all(m.verdict is NodeVerdict.PASS for m in report.messages)


def test_one_frame_in_no_time_proves_nothing(unit: Vehicle) -> None:
    report = prove(unit, rows(3)[:1])
    assert report.verdict is NodeVerdict.NOT_PROVEN
    assert {m.verdict for m in report.messages} == {NodeVerdict.NOT_PROVEN}
    assert codes(report) == {"frames-too-few", "message-not-due", "message-not-seen"} | {
        "signal-not-seen"
    }


def test_pages_that_never_came_are_named(unit: Vehicle) -> None:
    report = prove(unit, rows(3, pages=[0]))
    (finding,) = [f for f in report.findings if f.code == "signal-not-seen"]
    assert "Amps (Page 1)" in finding.summary
    assert "1 signal of 3" in finding.summary
    assert report.verdict is NodeVerdict.NOT_PROVEN


def test_a_page_nobody_knows_shows_none_of_the_others(unit: Vehicle) -> None:
    report = prove(unit, rows(3, pages=[2]))
    assert codes(report) == {"signal-not-seen"}
    assert report.verdict is NodeVerdict.NOT_PROVEN


@pytest.mark.parametrize(("frames", "proven"), [(LEAST_FRAMES - 1, False), (LEAST_FRAMES, True)])
def test_ten_frames_make_a_cycle_time(unit: Vehicle, frames: int, proven: bool) -> None:
    report = prove(unit, rows(frames / 10))
    told = [f for f in report.findings if f.code == "frames-too-few"]
    assert (report.verdict is NodeVerdict.PASS) is proven
    if not proven:
        (finding,) = told
        assert finding.action == "Test for 0.15 s more."  # 10 cycles of 100 ms, 850 ms listened


def test_a_rate_nobody_states_is_not_proven_until_the_plan_states_it(
    folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "unit.dbc").write_text(DBC.replace('BA_ "GenMsgCycleTime" BO_ 292 50;\n', ""))
    (tmp_path / "plan.toml").write_text(PLAN)
    silent = prove(load_plan(tmp_path / "plan.toml"), rows(3))
    assert codes(silent) == {"rate-not-stated"}
    assert silent.verdict is NodeVerdict.NOT_PROVEN
    (tmp_path / "plan.toml").write_text(f'{PLAN}[message."bench/Beat"]\ncycle_ms = 50\n')
    assert prove(load_plan(tmp_path / "plan.toml"), rows(3)).verdict is NodeVerdict.PASS


def test_what_the_plan_calls_optional_may_stay_away(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "unit.dbc").write_text(DBC)
    less = [r for r in rows(3, pages=[0]) if r[1] != EVENT]
    (tmp_path / "plan.toml").write_text(PLAN)
    assert codes(prove(load_plan(tmp_path / "plan.toml"), less)) == {
        "message-not-seen",
        "signal-not-seen",
    }
    optional = '[message."bench/Paged"]\noptional = ["Amps"]\n'
    optional += '[message."bench/Alarm"]\noptional = true\n'
    (tmp_path / "plan.toml").write_text(PLAN + optional)
    report = prove(load_plan(tmp_path / "plan.toml"), less)
    assert report.verdict is NodeVerdict.PASS
    verdicts = {m.message.name: m.verdict for m in report.messages}
    assert verdicts["Alarm"] is NodeVerdict.NOT_JUDGED


@given(
    st.integers(0, 1 << 30), st.floats(0.0, 1.0), st.sampled_from(["drop", "cut", "page", "one"])
)
def test_less_evidence_never_makes_a_verdict_better(
    unit: Vehicle, seed: int, share: float, way: str
) -> None:
    order = [NodeVerdict.PASS, NodeVerdict.NOT_PROVEN, NodeVerdict.DOUBTFUL, NodeVerdict.FAIL]
    random, sent = np.random.default_rng(seed), rows(2)
    if way == "drop":
        less = [r for r in sent if random.random() >= share]
    elif way == "cut":
        less = sent[: round(len(sent) * share)]
    elif way == "page":
        less = [r for r in sent if r[1] != PAGED or r[2][0] == 1 or random.random() >= share]
    else:
        less = [r for r in sent if r[1] != (PAGED, BEAT, EVENT)[seed % 3]]
    report = prove(unit, less)
    assert order.index(report.verdict) >= order.index(NodeVerdict.PASS)
    seen = {
        identifier: [r for r in less if r[1] == identifier] for identifier in (PAGED, BEAT, EVENT)
    }
    whole = (
        len(seen[PAGED]) >= LEAST_FRAMES
        and len(seen[BEAT]) >= LEAST_FRAMES
        and bool(seen[EVENT])
        and {r[2][0] for r in seen[PAGED]} == {0, 1}
    )
    assert whole or report.verdict is not NodeVerdict.PASS


@given(st.integers(1, 100_000))
def test_the_share_that_could_hide_is_that_of_the_binomial(frames: int) -> None:
    """No wrong frame among n with probability 5 % (scipy's binomial distribution)."""
    assert binom.pmf(0, frames, hidden_share(frames)) == pytest.approx(0.05, rel=1e-6)
    assert hidden_share(frames) <= 3.0 / frames  # the rule of three lies on the safe side


def test_the_command_ends_with_1_and_says_what_is_still_to_be_shown(
    folder: Path, tmp_path: Path
) -> None:
    log = tmp_path / "short.log"
    write_textlog(table_of(rows(3)[:1]), log)
    call = ("bench", "unit", "--plan", str(folder / "plan.toml"), "--capture", str(log))
    result = busplan(*call)
    assert result.code == 1
    assert "not proven" in result.out
    assert "Test for" in result.out
    document = busplan(*call, "--json")
    assert document.code == 1
    assert '"verdict": "not proven"' in document.out
    assert {"frames-too-few", "message-not-due"} <= UNPROVEN


def test_the_plan_s_optional_signals_must_exist(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "unit.dbc").write_text(DBC)
    plan = tmp_path / "plan.toml"
    plan.write_text(f'{PLAN}[message."bench/Paged"]\noptional = ["Ampz"]\n')
    result = busplan("check", str(plan))
    assert result.code == 3
    assert "Ampz" in result.err
    assert "Amps" in result.err


def test_a_message_s_own_minimum_is_not_lowered_by_another_s(unit: Vehicle) -> None:
    short = [r for r in rows(3) if r[1] != PAGED or r[0] < 0.5]
    streams = tuple(replace(s, cycle=None, event=True) if s.message.name == "Paged" else s
                    for s in unit.streams)  # fmt: skip
    assert prove(replace(unit, streams=streams), short).verdict is NodeVerdict.PASS
    assert prove(unit, short).verdict is NodeVerdict.FAIL
