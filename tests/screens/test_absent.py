"""What is not there is said plainly, on every screen and in its twins, and never called good."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.pilot import FakeNow, S, screen_text, settle
from support.van import make_replay, make_table, make_vehicle
from typer.testing import CliRunner

from busplan.cli.app import app
from busplan.findings import Finding, Weight, Where
from busplan.frames.table import FrameTable
from busplan.replay.asked import SCREENS, Asked, judged
from busplan.replay.document import screen_dict
from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.text.draw import state_role
from busplan.text.printed import screen_text as twin_text

ROOT = Path(__file__).parents[2]
VAN = make_vehicle(((4, 4), (4,)))


def only(network: str) -> FrameTable:
    table = make_table(VAN, 10.0)
    return table.take(np.flatnonzero(table.network == table.networks.index(network)))


CASES = {
    "no pack in the plan": (
        replace(VAN, pack=None),
        make_table(VAN, 10.0),
        "NO PACK",
        "No plan describes",
    ),
    "no plan": (
        replace(VAN, pack=None, source=""),
        make_table(VAN, 10.0),
        "NO PACK",
        "No plan was given",
    ),
    "no pack in the capture": (VAN, only("thermal"), "NO PACK", "No cell and no sensor"),
    "no frame at all": (VAN, FrameTable.empty(tuple(VAN.networks)), "NO DATA", "No cell"),
}


@pytest.mark.parametrize("case", CASES)
def test_text_and_json_say_that_there_is_no_pack(case: str) -> None:
    vehicle, table, word, reason = CASES[case]
    asked = judged(Asked(Replay.of(vehicle, table), 5 * S), "verdict")
    for screen in SCREENS:
        if screen == "pair":
            continue
        text = "\n".join(twin_text(asked, screen))
        assert word in text
        assert "ALL EVEN" not in text
        assert screen_dict(asked, screen)["state"] == word
    for screen in ("pack", "verdict"):
        assert reason in "\n".join(twin_text(asked, screen))
    assert screen_dict(asked, "verdict")["verdict"] is None


@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
@pytest.mark.parametrize("case", CASES)
async def test_the_screens_say_that_there_is_no_pack(case: str, size: tuple[int, int]) -> None:
    vehicle, table, word, reason = CASES[case]
    screens = ReplayApp(Replay.of(vehicle, table), start_ns=5 * S, now=FakeNow())
    async with screens.run_test(size=size) as pilot:
        await settle(screens, pilot)
        assert word in screen_text(screens)
        assert reason in screen_text(screens)
        await pilot.press("t", "v", "right", "enter", "2")
        await pilot.pause()
        assert reason in screen_text(screens)
        await pilot.press("7")
        await pilot.pause()
        assert "nothing wrong" not in screen_text(screens)


def test_before_the_first_value_nothing_is_called_even() -> None:
    replay = make_replay(seconds=10.0)
    late = replay.table.time_ns > replay.table.origin_ns + 5 * S
    status = replay.table.identifier == 0x1700
    shot = Replay.of(replay.vehicle, replay.table.take(np.flatnonzero(late | status))).snapshot(S)
    assert shot.word == "NO VALUE YET"


def test_cells_that_never_come_are_missing_not_even() -> None:
    replay = make_replay(seconds=10.0)
    first = min(s.message.identifier for s in replay.vehicle.streams if s.node == "monitor_b")
    table = replay.table.take(np.flatnonzero(replay.table.identifier != first))
    shot = Replay.of(replay.vehicle, table).snapshot(5 * S)
    assert "4 cells not heard" in [t.text for t in shot.troubles]
    assert shot.pack is not None
    assert shot.pack.cells.unheard.sum() == 4
    at_once = Replay.of(replay.vehicle, table).snapshot(S // 10)
    assert not any("not heard" in t.text for t in at_once.troubles if t.word == "VALUES MISSING")


def test_while_only_some_have_come_nothing_is_called_even() -> None:
    replay = make_replay(seconds=10.0, sag_v=0.0)
    first = min(s.message.identifier for s in replay.vehicle.streams if s.node == "monitor_b")
    held = (replay.table.identifier == first) & (replay.table.time_ns < S + replay.table.origin_ns)
    table = replay.table.take(np.flatnonzero(~held))
    shot = Replay.of(replay.vehicle, table).snapshot(S // 10)
    assert shot.word == "NOT ALL HEARD"
    assert shot.troubles[0].text.startswith("4 cells not heard yet")
    assert state_role(shot) == "note"


def test_after_a_fault_nothing_is_called_even_though_all_cells_are() -> None:
    even = make_replay(seconds=10.0, sag_v=0.0)
    welded = Finding("behaviour-failed", Weight.FAULT, Where("pack", time_ns=5 * S), "welded")
    replay = even.with_findings([welded])
    assert replay.snapshot(4 * S).word == "ALL EVEN"
    shot = replay.snapshot(6 * S)
    assert shot.word == "FAULT FOUND"
    assert shot.troubles[0].text == "1 fault found up to here"
    assert state_role(shot) == "note"


def test_a_capture_without_a_plan_shows_identifiers_bytes_and_loads(tmp_path: Path) -> None:
    file = tmp_path / "run.log"
    file.write_text("".join(f"({n / 10:.6f}) can{n % 2} 12{n % 2}#0102\n" for n in range(40)))
    call = ["replay", str(file), "--bit-rate", "can0=125000", "--json", "--screen"]
    told = json.loads(CliRunner().invoke(app, [*call, "messages"]).stdout)
    assert (told["vehicle"], told["state"]) == ("no plan", "NO PACK")
    assert [m["identifier"] for m in told["messages"]] == ["0x120", "0x121"]
    assert told["messages"][0]["payload"] == "0102"
    assert told["messages"][0]["cycle_ms"] == pytest.approx(200)
    told = json.loads(CliRunner().invoke(app, [*call, "findings"]).stdout)
    (finding,) = told["findings"]
    assert finding["code"] == "bit-rate-assumed"
    assert "can1" in finding["summary"]
    assert "can0" not in finding["summary"]
    rates = json.loads(CliRunner().invoke(app, [*call, "networks"]).stdout)["networks"]
    assert rates[0]["load_minute"] == pytest.approx(4 * rates[1]["load_minute"], rel=0.1)


def test_one_frame_is_a_capture_and_none_is_an_error(tmp_path: Path) -> None:
    file = tmp_path / "one.log"
    file.write_text("(1.000000) can1 12345678#00\n")
    call = ["replay", str(file), "--plan", str(ROOT / "dbc_examples/as_built.toml"), "--text"]
    result = CliRunner().invoke(app, call)
    assert result.exit_code == 0
    assert "NO PACK" in result.stdout
    assert "0x12345678 on pack" in result.stdout
    file.write_text("(1.000000) elsewhere 12345678#00\n")
    assert "elsewhere" in str(CliRunner().invoke(app, call).exception)
    file.write_text("")
    assert "empty" in str(CliRunner().invoke(app, call).exception)


def test_what_is_not_seen_does_not_look_good() -> None:
    replay = make_replay(((1,),), 2.0)
    assert state_role(replay.snapshot(S)) == "good"
    assert state_role(Replay.of(VAN, only("thermal")).snapshot(S)) == "note"


def test_a_span_without_any_value_says_so_in_one_line() -> None:
    replay = make_replay([[20] * 5], 5.0)
    asked = Asked(replay, 5 * S, span_ns=(S + 51, S + 52))
    lines = twin_text(asked, "span")
    at = next(n for n, line in enumerate(lines) if line.startswith("cells"))
    assert lines[at + 1] == "no value from A to B"
