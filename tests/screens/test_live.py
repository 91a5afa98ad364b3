"""The screens on a live bus: the end of time is the present."""

import re
from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest
from support.bench import PLANS, as_built
from support.command import busplan
from support.demo_files import made
from support.pilot import screen_text
from support.recording_bus import KIND, RememberingBus, install
from support.transport_traffic import segmented, spread, table

from busplan.behaviour.following import Following
from busplan.behaviour.judge import judge_behaviours
from busplan.demo.captures import make_capture
from busplan.findings import Finding, Weight, Where
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable, concatenate
from busplan.live.recording_status import RecordingStatus
from busplan.live.rolling import Rolling
from busplan.replay.clock import LiveClock
from busplan.replay.present import Unseen, live_replay
from busplan.replay.watch import watch
from busplan.screens.live_app import LiveApp
from busplan.text.behaviour_text import behaviour_lines
from busplan.transport.iso15765 import Segmented

SECOND = 10**9


class Clock:
    """The rolling memory's clock, moved by hand [ns]."""

    ns = 0

    def __call__(self) -> int:
        return self.ns


def test_the_live_clock_follows_holds_and_follows_again() -> None:
    clock = LiveClock()
    clock.grow(5 * SECOND)
    assert (clock.playing, clock.position_ns) == (True, 5 * SECOND)
    clock.pause()
    clock.grow(9 * SECOND)
    assert (clock.playing, clock.position_ns) == (False, 5 * SECOND)
    clock.grow(9 * SECOND, forgotten_ns=2 * SECOND)
    assert clock.position_ns == 3 * SECOND
    clock.seek(100 * SECOND)
    assert (clock.playing, clock.position_ns) == (True, 9 * SECOND)
    clock.seek(SECOND)
    assert not clock.playing
    clock.toggle()
    assert clock.position_ns == 9 * SECOND


def rolling_demo(seconds: float) -> tuple[Rolling, FrameTable]:
    table = made("drive", duration_s=seconds, healthy=True)
    rolling = Rolling(table.networks, keep_ns=60 * SECOND)
    return rolling, table


def test_nodes_that_send_are_not_silent_and_one_that_stops_is() -> None:
    rolling, table = rolling_demo(4.0)
    rolling.add(table)
    replay = live_replay(as_built(), rolling.recent(), ())
    assert replay.snapshot(replay.span_ns).silent == ()
    rolling, table = rolling_demo(4.0)
    pump = next(s for s in as_built().streams if s.node == "pump_1")
    late = table.time_ns > table.origin_ns + 2 * SECOND
    gone = late & (table.identifier == pump.message.identifier)
    rolling.add(table.take(np.flatnonzero(~gone)))
    replay = live_replay(as_built(), rolling.recent(), ())
    assert any("PumpStatus" in f.summary or "pump_1" in f.summary for f in replay.findings)


def test_a_silence_says_when_it_was_and_fades_when_it_is_long_over() -> None:
    rolling = Rolling(("thermal",), keep_ns=120 * SECOND)
    pump = next(s for s in as_built().streams if s.node == "pump_1")
    every = np.arange(0, 60, 0.1)
    times = every[(every < 5) | (every > 8)]
    rolling.add(
        FrameTable.from_columns(
            ["thermal"],
            10**18 + (times * SECOND).astype(np.int64),
            np.zeros(len(times)),
            np.full(len(times), pump.message.identifier),
            np.zeros(len(times)),
            np.full(len(times), pump.message.length),
            np.zeros(len(times) * pump.message.length, np.uint8),
        )
    )
    replay = live_replay(as_built(), rolling.recent(), ())
    (finding,) = [f for f in replay.findings if f.code == "node-stopped"]
    assert "from 0:04.9 to 0:08.1" in finding.summary or "from 0:05 to 0:08" in finding.summary
    assert finding.weight is Weight.NOTE
    fresh = watch(replay.lines, replay.span_ns, old_ns=7 * SECOND)
    assert [f.weight for f in fresh if f.code == "node-stopped"] == [Weight.CAUTION]
    still = watch(replay.lines, 90 * SECOND, old_ns=60 * SECOND)
    assert [f.weight for f in still if f.code == "node-stopped"] == [Weight.CAUTION]


def test_that_nothing_arrives_is_seen_at_once_with_its_network() -> None:
    entry = {
        "at": "2026-05-04T10:00:05+00:00",
        "what": "nothing heard",
        "network": "pack",
        "seconds": 5.0,
    }
    replay = live_replay(as_built(), None, [entry])
    (finding,) = replay.findings
    assert finding.summary == "pack: no frame came within 5 s"
    assert finding.weight is Weight.CAUTION
    assert replay.snapshot(0).past == 1
    rolling, table = rolling_demo(1.0)
    rolling.add(table)
    replay = live_replay(as_built(), rolling.recent(), [entry])
    (since,) = [f for f in replay.findings if f.code == "nothing-heard"]
    assert since.weight is Weight.NOTE
    assert since.summary.endswith("within 5 s of listening; some have come since")


def test_what_happened_while_recording_is_a_finding() -> None:
    rolling, table = rolling_demo(1.0)
    rolling.add(table)
    entries = [
        {"at": "2026-05-04T10:00:01+00:00", "what": "started"},
        {
            "at": "2026-05-04T10:00:02+00:00",
            "what": "interface gone",
            "network": "pack",
            "reason": "unplugged",
        },
    ]
    replay = live_replay(as_built(), rolling.recent(), entries)
    gone = [f for f in replay.findings if f.code == "interface-gone"]
    assert [f.where.network for f in gone] == ["pack"]
    assert "unplugged" in gone[0].summary


def test_messages_of_several_frames_are_put_together_on_a_live_bus() -> None:
    data = bytes(range(20))
    whole = segmented(0x7E8, data)
    sent = spread([*whole, whole[0], whole[2], *whole])
    named = [frame._replace(network="drive") for frame in sent]
    seen = table(named, flags=0, networks=["drive"])
    rolling = Rolling(seen.networks, keep_ns=60 * SECOND)
    rolling.add(seen)
    told = [Segmented(FrameKey("drive", False, 0x7E8))]
    replay = live_replay(as_built(), rolling.recent(), (), told)
    (line,) = [line for line in replay.lines.lines if line.label == "0x7E8"]
    messages = replay.index.messages
    assert messages.bytes_of(int(messages.rows_of(line.key)[-1])) == data
    broken = [f for f in replay.findings if f.code.startswith("transport-")]
    assert [(f.code, f.figures[0].value) for f in broken] == [("transport-broken", 1)]
    assert broken[0].where.time_ns == 60_000_000


async def test_the_screens_follow_what_arrives() -> None:
    rolling, table = rolling_demo(3.0)
    app = LiveApp(as_built(), rolling, lambda: ())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.2)
        assert app.replay.span_ns == 0
        rolling.add(table)
        for _ in range(40):
            await pilot.pause(0.1)
            if app.replay.span_ns:
                break
        assert app.replay.span_ns == table.span_ns
        assert app.clock.position_ns == table.span_ns
        shown = app.export_screenshot()
        assert "LIVE" in shown
        await pilot.press("space")
        await pilot.pause(0.2)
        assert "HELD" in app.export_screenshot()
        assert re.search(r"3\.\d\d\d", shown)


async def test_the_behaviours_so_far_are_those_of_the_recording() -> None:
    vehicle = as_built()
    table = make_capture("key-on-early", duration_s=10.0)
    rolling = Rolling(table.networks, keep_ns=60 * SECOND)
    following = Following(vehicle, table.networks)
    app = LiveApp(vehicle, rolling, lambda: (), following=following)
    async with app.run_test(size=(100, 60)) as pilot:
        for part in np.array_split(np.arange(len(table)), 2):
            rolling.add(table.take(part))
            following.add(table.take(part))
        await pilot.press("8")
        for _ in range(80):
            await pilot.pause(0.1)
            if app.replay.span_ns == table.span_ns:
                break
        await pilot.pause()
        shown = screen_text(app)
        assert [f.code for f in app.replay.findings].count("behaviour-failed") == 1
    whole = judge_behaviours(table, vehicle)
    assert "! link-full-before-main: failed" in shown
    for line in behaviour_lines(whole, 99)[:20]:
        assert line.rstrip() in shown


async def test_a_silence_is_looked_at_at_once_and_told_in_sight(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Looks are an hour apart here; what the verdict says is told once, whoever looks again."""
    planted = Finding("monitor-silent", Weight.CAUTION, Where("thermal", time_ns=1), "planted")
    verdict = SimpleNamespace(findings=(planted,), faulty=())
    monkeypatch.setattr("busplan.screens.live_app.REFRESH_S", 3600.0)
    monkeypatch.setattr("busplan.screens.live_app.judge_pack", lambda _: verdict)
    clock = Clock()
    rolling = Rolling(("thermal",), keep_ns=600 * SECOND, now=clock)
    strangers = [steady(hex(0x600 + n), n / 10, n / 10 + 0.05) for n in range(30)]
    rolling.add(concatenate([*strangers, steady("pump_1", 3, 5)]))
    app = LiveApp(as_built(), rolling, lambda: ())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("5")

        async def comes(true: Callable[[], bool]) -> bool:
            for _ in range(100):
                await pilot.pause(0.05)
                if true():
                    return True
            return False

        assert await comes(lambda: planted in app.replay.findings)
        assert await comes(lambda: "10 more identifiers" in screen_text(app))
        clock.ns = round(0.4 * SECOND)
        rolling.add(FrameTable.empty(["thermal"]))
        assert await comes(lambda: "pump_1 sent nothing on thermal for 0." in screen_text(app))
        assert app.replay.findings.count(planted) == 1


@pytest.mark.parametrize("broken", ["live_replay", "judge_pack"])
async def test_a_look_that_fails_ends_nothing(monkeypatch: pytest.MonkeyPatch, broken: str) -> None:
    rolling, table = rolling_demo(3.0)
    rolling.add(table)
    app = LiveApp(as_built(), rolling, lambda: ())

    def fails(*_: object) -> None:
        raise ValueError("odd")

    async with app.run_test(size=(120, 35)) as pilot:
        monkeypatch.setattr(f"busplan.screens.live_app.{broken}", fails)
        app.open(app.verdict)
        for _ in range(60):
            await pilot.pause(0.1)
            if "odd" in "".join(app._hints()):
                break
        assert "not worked out: odd" in app._hints()[0]
        assert app.is_running
        monkeypatch.undo()
        app._judge_next_s = 0.0
        for _ in range(60):
            await pilot.pause(0.1)
            if "odd" not in "".join(app._hints()):
                break
        assert "odd" not in app._hints()[0]


async def test_the_verdict_is_worked_out_while_it_is_looked_at() -> None:
    rolling, table = rolling_demo(3.0)
    app = LiveApp(as_built(), rolling, lambda: ())
    async with app.run_test(size=(100, 30)) as pilot:
        rolling.add(table)
        await pilot.press("2")
        for _ in range(80):
            await pilot.pause(0.1)
            if app.verdict.reports:
                break
        assert list(app.verdict.reports) == [app.replay.table]
        assert "being judged" not in app.export_screenshot().replace("&#160;", " ")


@pytest.mark.parametrize(
    ("trouble", "dropped", "words"),
    [
        (None, 0, "REC run-0002.log"),
        (None, 12, "REC run-0002.log, 12 dropped"),
        ("run.log: No space left on device", 3, "! REC run.log: No space left on device"),
    ],
)
async def test_the_recording_shows_on_every_screen(
    trouble: str | None, dropped: int, words: str
) -> None:
    rolling, _ = rolling_demo(1.0)
    files = ("/x/run-0001.log", "/x/run-0002.log")
    status = RecordingStatus(
        elapsed_s=1.0,
        channels=(),
        written=5,
        waiting=0,
        dropped=dropped,
        files=files,
        gone=(),
        trouble=trouble,
    )
    app = LiveApp(as_built(), rolling, lambda: (), status=lambda: status)
    async with app.run_test(size=(120, 30)) as pilot:
        await pilot.pause(0.2)
        assert words in app.export_screenshot().replace("&#160;", " ")


def steady(label: str, begin_s: float, end_s: float) -> FrameTable:
    """All frames of a node's stream or of an unknown identifier on ``thermal`` over a time."""
    stream = next((s for s in as_built().streams if s.node == label), None)
    stranger = int(label, 16) if label.startswith("0x") else 0x7EE
    identifier = stranger if stream is None else stream.message.identifier
    times = np.arange(begin_s, end_s, 0.1)
    return FrameTable.from_columns(
        ["thermal"],
        10**18 + (times * SECOND).astype(np.int64),
        np.zeros(len(times)),
        np.full(len(times), identifier),
        np.zeros(len(times)),
        np.full(len(times), 8),
        np.zeros(len(times) * 8, np.uint8),
    )


def rolled(silent_until_s: float) -> Rolling:
    """A memory of five seconds, in which a pump and a stranger died and another pump goes on."""
    rolling = Rolling(("thermal",), keep_ns=5 * SECOND)
    both = concatenate([steady(n, 0, 3) for n in ("pump_1", "stranger", "pump_2")])
    rolling.add(both.take(np.argsort(both.time_ns)))
    for second in range(3, round(silent_until_s)):
        rolling.add(steady("pump_2", second, second + 1))
    return rolling


def test_a_node_that_died_stays_found_when_its_frames_are_forgotten() -> None:
    rolling = rolled(28)
    recent = rolling.recent()
    assert recent is not None
    assert len(recent.gone) == 2
    replay = live_replay(as_built(), recent, ())
    found = {f.code: f for f in replay.findings if f.weight > Weight.NOTE}
    assert "pump_1 sent nothing on thermal for 2" in found["node-stopped"].summary
    assert "since before what is held" in found["node-stopped"].summary
    assert found["node-stopped"].where.time_ns == 0
    assert "0x7EE" in found["identifier-unplanned"].summary
    silent = {s.node: s.since_ns for s in replay.snapshot(replay.span_ns).silent}
    assert silent["pump_1"] is not None
    assert silent["pump_1"] < 0
    rolling.add(steady("pump_1", 28, 29))
    back = live_replay(as_built(), rolling.recent(), ())
    assert "node-stopped" not in {f.code for f in back.findings if "pump_1" in f.summary}


def test_what_is_over_and_forgotten_stays_until_somebody_has_looked() -> None:
    unseen = Unseen()
    rolling = rolled(9)
    live_replay(as_built(), rolling.recent(), (), unseen=unseen)
    for second in range(9, 40):
        both = concatenate([steady(n, second, second + 1) for n in ("pump_1", "pump_2")])
        rolling.add(both.take(np.argsort(both.time_ns)))
    recent = rolling.recent()
    assert recent is not None
    for _ in range(2):
        replay = live_replay(as_built(), recent, (), unseen=unseen)
        told = [f.summary for f in replay.findings if f.code == "node-stopped"]
        assert [t.partition(" sent")[0] for t in told] == ["before what is held: pump_1"]
    unseen.seen(recent.table.origin_ns)
    again = live_replay(as_built(), recent, (), unseen=unseen)
    assert not [f for f in again.findings if f.code == "node-stopped"]


def test_a_page_of_the_browser_gets_the_screens_not_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that the browser's server starts has pipes, and is told of its driver."""
    shown = []
    install()
    monkeypatch.setattr("busplan.screens.live_app.run_live", lambda *_: shown.append(1))
    monkeypatch.setenv("TEXTUAL_DRIVER", "some.driver")
    busplan("live", "--plan", PLANS / "as_built.toml", "-i", f"charge={KIND}:x")
    assert shown == [1]
    assert RememberingBus.sent == []
