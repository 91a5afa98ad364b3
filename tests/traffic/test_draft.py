"""Drafts of what nobody defines, held against the definitions that made the captures (invented)."""

from pathlib import Path

import numpy as np
import pytest
from support.command import busplan
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.capture.read import read_capture
from busplan.definitions.dbc import load_dbc
from busplan.definitions.model import Message
from busplan.demo.files import shipped
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.traffic.draft import draft_messages
from busplan.traffic.pages import find_selector
from busplan.traffic.survey import survey

CHARGER = load_dbc(shipped("dbc_examples") / "charger.dbc")
CHARGE = shipped("captures") / "charge_short.log.gz"


@pytest.fixture(scope="module")
def drafts() -> dict[int, Message]:
    """The charge capture drafted; its networks have identifiers of their own."""
    frames: FrameTable = read_capture(CHARGE).frames
    return {m.identifier: m for m in draft_messages(frames, survey(frames), "part")}


def test_periods_and_lengths_are_those_of_the_definition(drafts: dict[int, Message]) -> None:
    for message in CHARGER.messages:
        draft = drafts[message.identifier]
        assert draft.cycle is not None
        assert message.cycle is not None
        assert (draft.extended, draft.length, draft.event) == (True, message.length, False)
        assert draft.cycle.ms == pytest.approx(message.cycle.ms, rel=0.02)
        assert draft.confidence is not None
        assert 0 < draft.confidence <= 0.9


def test_pages_are_kept_apart(drafts: dict[int, Message]) -> None:
    (status,) = (m for m in CHARGER.messages if m.name == "ChargerStatus")
    draft = drafts[status.identifier]
    selector = draft.signal("Page")
    assert (selector.start, selector.length, selector.selects) == (0, 8, True)
    assert {s.start for s in draft.signals if "Counter" in s.name} == {56}
    paged = [s for s in draft.signals if s.condition is not None]
    assert all(s.condition and s.condition.selector == "Page" for s in paged)
    assert not [m for m in drafts.values() if m.has("Page") and m is not draft]


def test_a_message_without_pages_has_none() -> None:
    random = np.random.default_rng(1)
    assert find_selector(random.integers(0, 4, (400, 8)).astype(np.uint8)) is None
    steady = np.zeros((400, 8), np.uint8)
    steady[:, 0] = np.arange(400) % 256
    assert find_selector(steady) is None
    turns = steady.copy()
    turns[:, 0] = np.arange(400) % 3
    turns[:, 1:] = np.array([[0], [255], [15]], np.uint8)[turns[:, 0]]
    found = find_selector(turns)
    assert found is not None
    assert (found.start, found.length) == (0, 8)


@pytest.mark.parametrize("form", ["toml", "dbc"])
def test_the_command_writes_what_nobody_defines(tmp_path: Path, form: str) -> None:
    log = shipped("captures") / "bench_charger_short.log.gz"
    definitions = shipped("dbc_examples") / "charger.dbc"
    out = tmp_path / f"stranger.{form}"
    run = busplan("survey", log, "--definitions", definitions, "--draft", out)
    assert "a draft of 1 message" in run.err
    text = out.read_text("cp1252")
    if form == "toml":
        plan = PLAN + text.replace("part.stranger", "part.new")
        plan += '[node.new]\npart = "new"\non = ["main"]\n'
        v = load_plan(write_plan(tmp_path, plan, pump=PUMP, vcu=VCU))
        (stream,) = [s for s in v.streams if s.node == "new"]
        message = stream.message
        assert [f.code for f in v.cautions] == ["definition-draft"]
    else:
        (message,) = load_dbc(out).messages
    assert (message.identifier, message.length) == (0x18FFA3E5, 8)
    assert message.cycle is not None
    assert message.cycle.ms == 250
    assert message.confidence == 0.9
    again = busplan("survey", log, "--draft", out)
    assert again.code == 3
    assert "exists already" in again.err


@pytest.mark.parametrize(
    ("name", "words"), [("x.txt", "NAME.toml or NAME.dbc"), ("x.toml", "--network")]
)
def test_what_cannot_be_drafted_is_said(tmp_path: Path, name: str, words: str) -> None:
    log = tmp_path / "two.log"
    log.write_text("(0.0) can0 123#00\n(0.1) can1 124#00\n", "utf-8")
    run = busplan("survey", log, "--draft", tmp_path / name)
    assert run.code == 3
    assert words in run.err
    assert not (tmp_path / name).exists()
