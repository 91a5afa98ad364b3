"""The command line's twin of every screen: the same facts, as text and as JSON."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.opened import open_replay
from support.pilot import FakeNow, settle
from support.pilot import screen_text as terminal_text
from support.van import make_replay
from typer.testing import CliRunner

from busplan.board.facts import facts_of as board_of
from busplan.cli.app import app
from busplan.errors import UsageError
from busplan.plan.select import select_signals
from busplan.plan.vehicle import SignalAddress
from busplan.replay.asked import SCREENS, Asked, check_screen, judged
from busplan.replay.document import screen_dict
from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.screens.app import ReplayApp
from busplan.text.printed import screen_text

S = 1_000_000_000
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def replay() -> Replay:
    plain = make_replay(gap_s=(10, 14))
    return plain.with_findings(watch(plain.lines, plain.span_ns))


def asked(replay: Replay, seconds: float = 20, **more: object) -> Asked:
    return Asked(replay, round(seconds * S), beside=replay, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("screen", list(SCREENS))
def test_every_screen_has_a_text_and_a_json_twin_with_vehicle_and_caution(
    replay: Replay, screen: str
) -> None:
    lines = screen_text(asked(replay), screen)
    assert lines[0] == "Heron (invented) · heron.log"
    assert "High voltage can kill" in lines[-1]
    value = json.loads(json.dumps(screen_dict(asked(replay), screen), allow_nan=False))
    assert (value["vehicle"], value["invented"], value["screen"]) == ("Heron", True, screen)
    assert value["state"] == "CELLS UNEVEN"
    assert value["caution"]


def test_text_and_json_of_the_pack_agree(replay: Replay) -> None:
    value = screen_dict(asked(replay), "pack")["pack"]
    text = "\n".join(screen_text(asked(replay), "pack"))
    cell = value["cells"][5]
    assert (cell["cell"], cell["module"], cell["grade"]) == (6, "A2", "far-low")
    assert f"{cell['voltage_v']:.3f}«" in text
    assert f"{value['cell_evenness_v']['spread'] * 1000:.0f} mV" in text
    assert value["cell_evenness_v"]["lowest"] == {"cell": 6, "module": "A2"}
    assert value["worst_lag"]["module"] == "B1"


def test_messages_can_be_filtered_by_all_words(replay: Replay) -> None:
    rows = screen_dict(asked(replay, words="pack temperature"), "messages")["messages"]
    assert {r["message"] for r in rows} == {"ModuleTemperatures1"}
    assert len(rows) == 2
    assert rows[0]["signals"]["Temperature1"]["unit"] == "°C"
    (pump,) = screen_dict(asked(replay, words="0x120"), "messages")["messages"]
    assert pump["stated_cycle_ms"] == pump["cycle_ms"] == 100
    assert pump["cycle_origin"] == "definition"


def test_silent_nodes_stand_with_their_network(replay: Replay) -> None:
    networks = screen_dict(asked(replay, 12), "networks")["networks"]
    assert [s["node"] for s in networks[0]["silent"]] == ["monitor_a"]
    assert "! monitor_a silent since 0:00:09.9" in "\n".join(
        screen_text(asked(replay, 12), "networks")
    )


def test_findings_come_with_why_and_what_to_do(replay: Replay) -> None:
    text = "\n".join(screen_text(asked(replay), "findings"))
    assert "! caution  node-stopped  at 0:00:09.9  pack/monitor_a" in text
    assert "why: " in text
    assert "do: " in text


def test_a_span_covers_what_it_says(replay: Replay) -> None:
    current = SignalAddress("pack", "battery_master", "PackStatus", "PackCurrent")
    value = screen_dict(asked(replay, span_ns=(5 * S, 6 * S), signals=(current,)), "span")["span"]
    assert (value["a_s"], value["b_s"]) == (5, 6)
    assert value["signals"][0]["count"] == 20
    assert value["signals"][0]["minimum"] == pytest.approx(55, abs=0.1)


async def test_the_screens_show_what_their_json_tells(replay: Replay) -> None:
    repaired = make_replay(sag_v=0.0)
    app = ReplayApp(replay, beside=repaired, start_ns=20 * S, now=FakeNow())
    shown = {}
    async with app.run_test(size=(200, 60)) as pilot:
        await settle(app, pilot)
        for number, view in enumerate(app.views, 1):
            await pilot.press(str(number))
            await pilot.pause()
            shown[view.id] = terminal_text(app)
        report = app.verdict.reports[app.captures[0].table]
        whole = Asked(app.captures[0], 20 * S, beside=repaired, report=report)
        whole = replace(whole, board=board_of(whole))
    # A plan without behaviours has no screen of them.
    assert set(shown) == set(SCREENS) - {"behaviours"}
    for screen, facts in facts_of({name: screen_dict(whole, name) for name in shown}).items():
        assert len(facts) > 3
        twin = "\n".join(screen_text(whole, screen))
        unwrapped = " ".join(twin.split())
        for fact in facts:
            assert fact in shown[screen], f"{screen} on screen"
            assert fact in twin or fact in unwrapped, f"{screen} as text"


async def test_the_verdict_stays_when_the_behaviours_have_been_judged_after_it() -> None:
    opened = open_replay(
        ROOT / "captures/key_on_early_short.log.gz", ROOT / "dbc_examples/as_built.toml"
    )
    app = ReplayApp(opened, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        await pilot.press("2")
        await pilot.pause()
        shown = terminal_text(app)
    # Its findings are in, so the state of the capture is a newer one than the pack was judged on.
    assert any(f.code == "behaviour-failed" for f in app.replay.findings)
    assert "Not all right: 1 fault." in shown
    assert "being judged" not in shown


def facts_of(told: dict[str, Any]) -> dict[str, list[str]]:
    """What JSON says, as a screen writes it."""
    span = told["span"]["span"]
    return {
        "pack": [
            *(f"{c['voltage_v']:.3f}" for c in told["pack"]["pack"]["cells"]),
            f"{told['pack']['pack']['cell_evenness_v']['spread'] * 1e3:.0f} mV",
            *(f["summary"][:90] for f in told["pack"]["findings"]),  # a line holds no more
        ],
        "verdict": [
            told["verdict"]["verdict"]["verdict"],
            *(s["text"] for s in told["verdict"]["verdict"]["sections"] if len(s["text"]) < 90),
        ],
        "networks": [
            fact
            for n in told["networks"]["networks"]
            for fact in (
                n["network"],
                f"peak {100 * n['load_peak']:.1f} %",
                f"{n['frames_per_s']:.0f} frames/s",
                f"{100 * n['load_limit']:.0f} %",
            )
        ],
        "messages": [
            fact
            for m in told["messages"]["messages"]
            for fact in (
                m["identifier"],
                m["message"],
                f"{m['cycle_ms']:g}/{m['stated_cycle_ms']:g}",
            )
        ],
        "findings": [
            told["findings"]["findings"][0]["why"][:60],
            *(f["summary"][:60] for f in told["findings"]["findings"]),
        ],
        "span": [
            *(f"{n['frames']}" for n in span["networks"]),
            f"{min(c['minimum'] for c in span['cells']):.3f}",
            f"{max(c['maximum'] for c in span['cells']):.3f}",
            *(f"{m['message']}" for m in span["messages"]),
        ],
        "board": [
            *told["board"]["board"]["to_watch"],
            *(t["title"] for t in told["board"]["board"]["boards"][0]["tiles"][:3]),
            "TO WATCH",
        ],
        "pair": [
            fact
            for d in told["pair"]["differences"][:3]
            for fact in (
                d["what"],
                f"{d['first']:.3f}",
                f"{d['second']:.3f}",
                f"{d['change']:+.3f} V",
            )
        ],
    }


def test_a_screen_nobody_has_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match='"pack", "verdict"'):
        check_screen("attic")


SHORT = ["replay", str(ROOT / "captures/drive_short.log.gz"), "--plan"]
PLAN = str(ROOT / "dbc_examples/as_built.toml")


def test_the_command_prints_text_without_a_terminal() -> None:
    result = CliRunner().invoke(app, [*SHORT, PLAN])
    assert result.exit_code == 0, result.output
    assert "Magpie (invented)" in result.stdout
    assert "cells min" in result.stdout


def test_the_command_prints_json_of_the_moment_asked_for() -> None:
    result = CliRunner().invoke(
        app, [*SHORT, PLAN, "--screen", "networks", "--json", "--at", "1.5"]
    )
    value = json.loads(result.stdout)
    assert value["time_s"] == 1.5
    assert {n["network"] for n in value["networks"]} >= {"drive", "pack", "thermal"}


@pytest.mark.parametrize(
    "wrong",
    [
        ["--screen", "attic"],
        ["--screen", "pair"],
        ["--span", "a:b", "--text"],
        ["--span", "99999:100000", "--text"],
        ["--signal", "NoSuchSignal", "--text"],
    ],
)
def test_wrong_calls_are_one_clear_error(wrong: list[str]) -> None:
    result = CliRunner().invoke(app, [*SHORT, PLAN, *wrong])
    assert isinstance(result.exception, UsageError)


def test_two_captures_of_one_name_are_told_apart_by_their_folders(tmp_path: Path) -> None:
    files = [tmp_path / folder / "run.log" for folder in ("before", "after")]
    for file in files:
        file.parent.mkdir()
        file.write_text("(1.000000) can0 123#00\n(1.100000) can0 123#00\n")
    call = ["replay", str(files[0]), "--beside", str(files[1]), "--screen", "pair", "--json"]
    value = json.loads(CliRunner().invoke(app, call).stdout)
    assert value["capture"].endswith("before/run.log")
    assert value["beside"].endswith("after/run.log")


@pytest.mark.parametrize("columns", [80, 100])
def test_text_fits_its_width_and_cuts_nothing(columns: int) -> None:
    opened = open_replay(ROOT / "captures/drive_short.log.gz", Path(PLAN))
    whole = judged(Asked(opened, 5 * S, beside=opened), "findings")
    for screen in SCREENS:
        lines = screen_text(whole, screen, columns)
        assert max(map(len, lines)) <= columns, screen
        assert not [line for line in lines if "…" in line], screen
    drive = select_signals(opened.vehicle, ["*CurrentLimit", "InverterTorque/*"])
    span = "\n".join(screen_text(replace(whole, signals=drive), "span", columns))
    assert all(address.signal in span for address in drive)
    messages = "\n".join(screen_text(whole, "messages", columns))
    told = screen_dict(whole, "messages")["messages"]
    assert all(name in messages for message in told for name in message["signals"])
