"""A bench test from Python, without the command line: on a live bus, and as its pure steps."""

from pathlib import Path

import can
import numpy as np
import pytest
from support.bench import as_built, charger_rows, charger_streams, table_of
from support.bench_nodes import (
    BENCH,
    STATUS,
    UNIT,
    Bench,
    Program,
    placed,
    status_values,
    unsigned,
)
from support.recording_bus import KIND, RememberingBus, install
from support.talking_node import TalkingNode

from busplan.bench.live_run import run_live, with_bursts
from busplan.bench.node_report import BenchLimits, NodeVerdict, SentFrame
from busplan.bench.record import BenchRecord
from busplan.bench.rhythm import Pause, within_pauses
from busplan.bench.run import BenchTest
from busplan.capture.read import read_capture
from busplan.definitions.model import Message
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.frames.kinds import SENT
from busplan.live.answered import Answer, answer_findings
from busplan.live.interface_spec import InterfaceSpec, parse_single_interface
from busplan.live.interfaces import open_sender
from busplan.live.journal import Loss
from busplan.live.listening import Guide, Stop
from busplan.live.questions import parse_question
from busplan.live.recording_status import RecordingStatus

SECOND = 1_000_000_000


class Listener(Guide):
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.words: list[str] = []
        self.cues: list[tuple[str, float]] = []
        self.last: RecordingStatus | None = None

    def say(self, words: str) -> None:
        self.words.append(words)

    def cue(self, words: str) -> None:
        self.cues.append((words, 0.0 if self.last is None else self.last.elapsed_s))

    def listening(self, status: RecordingStatus) -> None:
        self.last = status


@pytest.fixture(autouse=True)
def _bus() -> None:
    install()
    message = charger_streams()["ChargerOutput"].message
    RememberingBus.incoming.append(
        can.Message(arbitration_id=message.identifier, is_extended_id=True, data=bytes(8))
    )


def on_bus() -> InterfaceSpec:
    return parse_single_interface(f"{KIND}:x", "charge")


def run(folder: Path, guide: Guide, seconds: float = 0.6, **limits: int) -> BenchRecord:
    test = BenchTest.of(as_built(), "charger", limits=BenchLimits(**limits))
    return run_live(test, on_bus(), seconds=seconds, folder=folder, guide=guide)


def test_python_runs_a_live_test_that_sends_nothing(tmp_path: Path) -> None:
    guide = Listener()
    record = run(tmp_path, guide, power_on_ns=SECOND // 4)
    assert RememberingBus.sent == []
    assert record.sent == ()
    assert record.report.frames > 20
    assert (tmp_path / record.capture).exists()
    assert [words for words, _ in guide.cues] == ["Switch charger on NOW."]
    assert 0.1 <= guide.cues[0][1] < 0.6
    assert guide.last is not None
    assert guide.last.written > 0
    assert any("never sends" in words for words in guide.words)


def test_questions_need_the_consent_before_anything_is_opened(tmp_path: Path) -> None:
    test = BenchTest.of(as_built(), "charger")
    with pytest.raises(UsageError, match="explicit consent"):
        run_live(test, on_bus(), seconds=0.1, folder=tmp_path, questions=["7E0#023E00=7E8"])
    assert RememberingBus.opened == 0


def test_who_ends_the_test_by_hand_has_nothing_sent(tmp_path: Path) -> None:
    stop, guide = Stop(), Listener()
    stop.set()
    record = run_live(
        BenchTest.of(as_built(), "charger"),
        on_bus(),
        seconds=5,
        folder=tmp_path,
        sender=open_sender,
        questions=["7E0#023E00=7E8"],
        stop=stop,
        guide=guide,
    )
    assert RememberingBus.sent == []
    assert record.sent == ()
    assert "ended by hand: nothing more is sent" in guide.words


BEGIN = 10**18
"""When listening began, by this computer's clock [ns]."""


def limits_of(first_after_ns: int, **limits: int) -> BenchLimits | None:
    """Listened for 20 s; the first frame came so long after the beginning."""
    table = table_of(charger_rows(10), start_ns=BEGIN + first_after_ns)
    test = BenchTest.of(as_built(), "charger", limits=BenchLimits(**limits))
    return test.limits_while(table, BEGIN, BEGIN + 20 * SECOND)


def test_power_on_and_end_of_listening_count_from_the_first_frame() -> None:
    moved = limits_of(3 * SECOND, power_on_ns=2 * SECOND, start_within_ns=5)
    assert moved is not None
    assert (moved.power_on_ns, moved.end_ns) == (-SECOND, 17 * SECOND)
    assert moved.start_within_ns == 5
    untold = limits_of(3 * SECOND)
    assert untold is not None
    assert untold.power_on_ns is None


@pytest.mark.parametrize(
    ("first_after_ns", "follows"),
    [(-SECOND, True), (-SECOND - 1, False), (11 * SECOND, True), (12 * SECOND, False)],
)
def test_a_clock_more_than_a_second_off_is_another_clock(
    first_after_ns: int, follows: bool
) -> None:
    """The last of the rows comes 9.9 s after the first one and a little."""
    assert (limits_of(first_after_ns) is not None) is follows


def test_nothing_heard_leaves_the_limits_as_they_are() -> None:
    table = table_of([])
    test = BenchTest.of(as_built(), "charger", limits=BenchLimits(power_on_ns=7))
    assert test.limits_while(table, BEGIN, BEGIN + SECOND) == test.limits


def test_what_answers_amount_to_is_part_of_the_verdict() -> None:
    test = BenchTest.of(as_built(), "charger")
    table = table_of(charger_rows(10))
    plain = test.record(table)
    assert (plain.report.verdict, plain.sent) == (NodeVerdict.PASS, None)
    silent = Answer(parse_question("7E0#023E00=7E8"), None, None)
    more = answer_findings([silent], "charge", "charger", 1.25)
    asked = test.record(table, sent=(SentFrame("7E0#023E00", "x", None),), more=more)
    assert asked.report.verdict is NodeVerdict.FAIL
    assert asked.report.findings[0].code == "request-unanswered"
    assert len(asked.report.findings) == len(plain.report.findings) + 1


def test_a_node_that_is_silent_altogether_is_told_once_with_what_it_was_asked() -> None:
    test = BenchTest.of(as_built(), "charger")
    silent = [Answer(parse_question(q), None, None) for q in ("7E0#023E00=7E8", "7E0#0322F195=7E8")]
    told = test.record(
        table_of([]), sent=(), more=answer_findings(silent, "charge", "charger", 1.25)
    )
    assert told.report.headline == "charger: fail: nothing of it came"
    (only,) = (f for f in told.report.findings if f.weight is Weight.FAULT)
    assert only.code == "node-silent"
    assert "request-unanswered" not in {f.code for f in told.report.findings}
    for asked in ("7E0#023E00=7E8 (0x7E0)", "7E0#0322F195=7E8 (0x7E0)"):
        assert f"no answer to {asked} within 1.25 s" in only.summary
    assert ("unanswered", 2) in [(f.name, f.value) for f in only.figures]


def test_a_node_that_answers_without_sending_leaves_its_unanswered_question_apart() -> None:
    test = BenchTest.of(as_built(), "charger")
    answers = [
        Answer(parse_question("7E0#023E00=7E8"), None, None),
        Answer(parse_question("7E0#0322F195=7E8"), 0.02, 0x7E8, b"\x62", answered=1),
    ]
    more = answer_findings(answers, "charge", "charger")
    report = test.record(table_of([]), sent=(), more=more).report
    codes = {f.code for f in report.findings}
    assert codes >= {"node-silent", "request-answered", "request-unanswered"}
    assert report.headline == "charger: fail: none of its messages, but answers came"


def asked_live(folder: Path, channel: str, **options: object) -> BenchRecord:
    """A test of the bench's invented unit on a virtual bus, asked as the options say."""
    bench = Bench([Program(STATUS, 100, status_values, crc=True), on_request()])
    test = BenchTest.of(bench.vehicle(), UNIT)
    spec = parse_single_interface(f"virtual:{channel}", BENCH)
    return run_live(test, spec, folder=folder, sender=open_sender, **options)  # type: ignore[arg-type]


def on_request() -> Program:
    """A J1939 message that its node sends when it is asked."""
    message = Message("UnitHours", 0x18FEE527, True, 8, (unsigned("Hours", 0, 32),), (UNIT,))
    return Program(placed(message), 1000, lambda k: {"Hours": k})


def test_answers_are_part_of_the_recording_and_of_the_verdict(tmp_path: Path) -> None:
    status = [
        can.Message(arbitration_id=r.identifier, data=r.data, is_extended_id=False)
        for r in Bench([Program(STATUS, 100, status_values, crc=True)]).rows(0.2)
    ]
    node = TalkingNode("judged", tuple((0.1, m) for m in status[:1]))
    try:
        node.says(0x18EA27F9, "E5FE00", 0x18FEE527, "1027000000000000")
        node.says(0x18EA27F9, "00EE00", 0x18EEFF27, "3930200001F01E0A")
        node.says(0x7E0, "0322F195", 0x7E8, "0562F1950207")
        record = asked_live(tmp_path, "judged", seconds=1.2, questions=["7E0#0322F195=7E8"])
    finally:
        node.end()
    report = record.report
    codes = {f.code for f in report.findings}
    assert not codes & {
        "message-undefined",
        "message-missing",
        "message-not-seen",
        "rate-not-stated",
    }
    assert "request-unanswered" not in codes
    hours = next(m for m in report.messages if m.message.name == "UnitHours")
    assert (hours.frames, hours.verdict) == (1, NodeVerdict.PASS)
    assert dict(report.identity)["supplier's software version"] == "02 07"
    assert "identity" in dict(report.identity)["NAME"]
    assert record.sent is not None
    assert [(s.frame, s.answer) for s in record.sent] == [
        ("7E0#0322F195", "62F1950207"),
        ("18EA27F9#00EE00", "3930200001F01E0A"),
        ("18EA27F9#E5FE00", "1027000000000000"),
    ]
    kept = read_capture(tmp_path / record.capture).frames
    ours = kept.take((kept.flags & SENT) != 0)
    assert sorted({int(i) for i in ours.identifier}) == [0x7E0, 0x18EA27F9]
    assert int((kept.identifier == 0x7E8).sum()) == 1


def test_what_is_read_at_once_after_a_loss_is_part_of_it() -> None:
    """Frames every 50 ms; those of a stall of 5 s come within a millisecond when it ends."""
    steady = np.arange(0, 10 * SECOND, SECOND // 20)
    late = np.where(
        (steady > 3 * SECOND) & (steady < 8 * SECOND), 8 * SECOND + steady // 10**5, steady
    )
    lost = (Loss(3 * SECOND, 8 * SECOND, "it did not listen"),)
    ((begin, end, why),) = with_bursts(lost, np.sort(late))
    assert (begin, why) == (3 * SECOND, "it did not listen")
    assert 8 * SECOND < end < 8 * SECOND + SECOND // 500
    assert with_bursts(lost, steady) == lost
    table = np.sort(late)
    gaps = np.diff(table)[~within_pauses(table, (Pause(begin, end),))]
    assert set(gaps.tolist()) == {SECOND // 20}
