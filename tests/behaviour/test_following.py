"""Behaviours followed live are those of the whole capture, however little of it is held.

The whole capture's verdicts are held against a reference elsewhere (``test_against_rtamt.py``).
"""

from dataclasses import replace

import numpy as np
import pytest
from behaviour.test_captures import FAST, PLAN, SLOW, S, frames
from support.plans import write_plan

from busplan.behaviour.following import Following
from busplan.behaviour.judge import judge_behaviours
from busplan.cli.followed import RecordedBehaviours
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.text.behaviour_text import brief_lines, told_of

HOT = '{ signal = "Temperature", above = 40 }'
ON = '{ signal = "FanState", is = "Running" }'
RULES = {
    "soon": f"becomes = {HOT}\nrequire = {ON}\nwithin_s = 1.5",
    "stays": f"becomes = {HOT}\nrequire = {ON}\nwithin_s = 2\nstays_s = 0.5",
    "at once": f"becomes = {HOT}\nrequire = {ON}",
    "never after": f"becomes = {HOT}\nnever = {ON}\nwithin_s = 0.7",
    "before": f"becomes = {ON}\nrequire = {HOT}\nwithin_s_before = 1",
    "never before": f"becomes = {ON}\nnever = {HOT}\nwithin_s_before = 0.5",
    "long": 'becomes = { signal = "Temperature", above = 30, for_s = 0.8 }\n'
    'while = { signal = "Current", above = 20 }\nrequire = { signal = "Current", below = 90 }\n'
    "within_s = 1",
    "while": f'while = {HOT}\nrequire = {{ signal = "Current", at_least = 30 }}',
    "always": 'always = { signal = "Current", below = 95 }',
    "silent": 'becomes = { message = "sensor/Heat", silent_s = 0.4 }\n'
    'require = { signal = "Current", at_most = 50 }\nwithin_s = 1',
    "loud": 'always = { not = { message = "sensor/Heat", silent_s = 2 } }',
    "follows": 'always = { signal = "Strokes", follows = "Turns", tolerance = 1, delay_s = 0.4 }',
    "counts": 'always = { signal = "Turns", counts_as = "Strokes", tolerance = 2 }',
}
TABLES = "".join(f'[[behaviour]]\nname = "{n}"\n{r}\n' for n, r in RULES.items())


@pytest.fixture(scope="module")
def vehicle(tmp_path_factory: pytest.TempPathFactory) -> Vehicle:
    folder = tmp_path_factory.mktemp("plan")
    strokes = FAST.replace(
        " SG_ Current",
        ' SG_ Strokes : 16|8@1+ (1,0) [0|0] "" Vector__XXX\n SG_ Current',
    )
    return load_plan(write_plan(folder, PLAN + TABLES, slow=SLOW, fast=strokes))


def walk(random: np.random.Generator, n: int, low: int, high: int, stays: float) -> np.ndarray:
    """A value that jumps now and then."""
    value = random.integers(low, high, n)
    keep = random.random(n) < stays
    keep[0] = False
    return value[np.maximum.accumulate(np.where(keep, 0, np.arange(n)))].astype(np.uint8)


def capture(seed: int, length_s: float) -> FrameTable:
    """Both nodes with gaps, codes, jumping values, and counters that drift apart now and then."""
    random = np.random.default_rng(seed)

    def received(time: np.ndarray) -> np.ndarray:
        keep = np.ones(len(time), bool)
        for begin in random.uniform(2, length_s, 5):
            keep &= (time < begin) | (time > begin + random.exponential(1.5))
        return keep

    slow = np.arange(0.03, length_s, 0.1)
    fast = np.arange(0.0, length_s, 0.02)
    heat = walk(random, len(slow), 20, 60, 0.9)
    heat[random.random(len(slow)) < 0.01] = 255
    ticks = np.cumsum(random.random(len(slow)) < 0.3)
    strokes = ticks[np.clip(np.searchsorted(slow, fast) - 1, 0, None)]
    strokes = strokes + (3 if seed % 2 else 0) * (fast > length_s * 0.7)
    a, b = received(slow), received(fast)
    if seed == 2:  # hot only long ago, longer than is held
        heat[slow > length_s / 2] = 25
    if seed == 4:  # a node that dies
        a &= slow < length_s / 2
    state = walk(random, len(fast), 0, 2, 0.97)
    current = walk(random, len(fast), 10, 100, 0.995)
    table = frames(
        (0, 0x100, slow[a], heat[a]),
        (0, 0x101, slow[a], (ticks % 256)[a].astype(np.uint8)),
        (1, 0x200, fast[b], np.stack([state, current], 1)[b]),
    )
    strokes_of = dict(zip(fast.round(6), strokes % 256, strict=True))
    payload = table.payload.copy().reshape(-1, 8)
    own = np.flatnonzero(table.identifier == 0x200)
    at = ((table.time_ns[own] - 1_700_000_000 * S) / S).round(6)
    payload[own, 2] = [strokes_of[t] for t in at]
    return FrameTable.from_columns(
        table.networks,
        table.time_ns,
        table.network,
        table.identifier,
        table.flags,
        table.length,
        payload.reshape(-1),
    )


@pytest.mark.parametrize("seed", range(5))
def test_the_verdicts_of_the_whole_from_its_last_seconds(vehicle: Vehicle, seed: int) -> None:
    table = capture(seed, 60.0)
    random = np.random.default_rng(seed)
    following = Following(vehicle, table.networks, keep_ns=8 * S)
    row, most, told = 0, 0, 0
    for stop in [*np.sort(random.integers(1, len(table), 16)).tolist(), len(table)]:
        following.add(table.take(slice(row, stop)))
        row = stop
        report = following.report()
        most = max(most, following.frames_held)
        if random.random() < 0.2 or stop == len(table):
            assert report is not None
            whole = judge_behaviours(table.take(slice(0, stop)), vehicle)
            for mine, theirs in zip(report.verdicts, whole.verdicts, strict=True):
                assert mine.as_dict() == theirs.as_dict()
            told += 1
    assert told
    # Sixteen seconds and what they look back to, of sixty.
    assert most < len(table) / 2


def test_what_looks_over_more_than_is_held_is_given_up_and_says_so(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    wide = '[[behaviour]]\nname = "wide"\nbecomes = { signal = "Temperature", above = 30, '
    wide += f'for_s = 600 }}\nrequire = {ON}\n[[behaviour]]\nname = "narrow"\nbecomes = {HOT}\n'
    plan = PLAN + wide + f"require = {ON}\nwithin_s = 1\n"
    folder = tmp_path_factory.mktemp("plan")
    vehicle = load_plan(write_plan(folder, plan, slow=SLOW, fast=FAST))
    table = capture(3, 60.0)
    following = Following(vehicle, table.networks, keep_ns=8 * S, most_frames=900)
    for part in np.array_split(np.arange(len(table)), 40):
        following.add(table.take(part))
        report = following.report()
    assert report is not None
    wide_one, narrow = report.verdicts
    assert (wide_one.word, "judge the recording" in wide_one.reason) == ("not shown", True)
    assert narrow.as_dict() == judge_behaviours(table, vehicle).verdicts[1].as_dict()
    assert following.frames_held <= 900 + len(table) // 40


def test_a_clock_that_is_set_back_loses_nothing_that_was_found(vehicle: Vehicle) -> None:
    table = capture(2, 40.0)
    following = Following(vehicle, table.networks, keep_ns=5 * S)
    found: list[dict[str, int]] = []
    for shift in (0, -3600 * S):
        moved = replace(table, time_ns=table.time_ns + shift)
        for part in np.array_split(np.arange(len(table)), 10):
            following.add(moved.take(part))
            report = following.report()
            assert report is not None
        found.append({v.behaviour.name: v.failed for v in report.verdicts})
    once, twice = found
    assert sum(once.values()) > 10
    # Spans of the whole time are two now; everything else came up twice.
    assert {n: c for n, c in twice.items() if c < 2 * once[n]} == {}


def test_a_recorder_tells_each_failure_once(vehicle: Vehicle) -> None:
    table = capture(1, 20.0)
    told: list[str] = []
    watching = RecordedBehaviours(Following(vehicle, table.networks), told.append)
    for part in np.array_split(np.arange(len(table)), 8):
        watching.add(table.take(part))
        watching.look()
        watching.look()
    whole = judge_behaviours(table, vehicle)
    assert watching.report is not None
    assert brief_lines(watching.report, 200) == brief_lines(whole, 200)
    failed = [told_of(v) for v in whole.verdicts if v.failed]
    assert failed
    names = {line.partition(":")[0] for line in told}
    assert names == {line.partition(":")[0] for line in failed}
    assert len(told) == len(set(told))


def test_a_look_that_fails_does_not_end_the_recording(
    vehicle: Vehicle, monkeypatch: pytest.MonkeyPatch
) -> None:
    following = Following(vehicle, ("one", "two"))
    told: list[str] = []

    def fails() -> None:
        raise ValueError("odd")

    monkeypatch.setattr(following, "report", fails)
    with RecordedBehaviours(following, told.append) as watching:
        pass
    assert told == ["! behaviours not judged: odd"]
    assert watching.report is None
