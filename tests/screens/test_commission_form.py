"""The form of a commissioning: what is typed stands in the journal, and in no other way."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest
from support.pilot import screen_text
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.commission.by_hand import by_form
from busplan.commission.entry import next_entry
from busplan.commission.journal_file import append_entry, load_journal
from busplan.commission.state import Commissioning, commissioning_of
from busplan.plan.reader import load_plan
from busplan.screens.commission_form import CommissionForm

TESTS = """
[[test]]
name = "leaks"
look = "no leak"
[[test]]
name = "bonding \\u001b[2J[red]"
measure = "resistance to the chassis"
unit = "Ω"
at_most = 0.1
licensed = true
caution = "High voltage can kill: made safe first."
[[test]]
load = "loop"
"""


def form(tmp_path: Path, who: str = "A. Tester") -> tuple[CommissionForm, Path]:
    vehicle = load_plan(write_plan(tmp_path, PLAN + TESTS, pump=PUMP, vcu=VCU))
    journal = tmp_path / "build.journal"

    def enter(name: str, value: str, remark: str, by: str) -> Commissioning:
        told = load_journal(journal)
        for one in by_form(vehicle, name, value, remark):
            told = append_entry(journal, partial(next_entry, said=one, time="now", who=by))
        return commissioning_of(vehicle, told)

    return CommissionForm(commissioning_of(vehicle, load_journal(journal)), enter, who), journal


@pytest.mark.parametrize("size", [(80, 24), (160, 45)])
async def test_measured_looked_at_and_remarked(tmp_path: Path, size: tuple[int, int]) -> None:
    app, journal = form(tmp_path)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        shown = screen_text(app)
        assert "no leak? yes, no" in shown
        assert "loop" not in shown
        await pilot.press("enter", *"maybe", "enter")
        assert 'wants yes or no, not "maybe"' in screen_text(app)
        assert not journal.exists()
        await pilot.press("escape", "enter", *"no", "tab", *"hose B", "enter")
        await pilot.pause()
        assert "! failed    leaks" in screen_text(app)
        assert "Entered as 2: leaks is failed." in screen_text(app)
        await pilot.press("down")
        await pilot.pause()
        shown = screen_text(app)
        assert "\x1b" not in shown
        assert "[red]" in shown
        assert "by a licensed person" in shown
        assert "High voltage can kill: made safe first." in shown
        await pilot.press("enter", *"0.04", "enter")
        await pilot.pause()
        assert "+ proven" in screen_text(app)
    told = load_journal(journal)
    assert [(e.kind, e.who) for e in told.entries] == [
        ("looked", "A. Tester"),
        ("remark", "A. Tester"),
        ("measured", "A. Tester"),
    ]
    assert told.entries[1].text == "hose B"
    assert told.entries[2].results[0].figures == {"value": 0.04, "unit": "Ω", "minutes": None}


async def test_nothing_without_a_name_and_nothing_of_nothing(tmp_path: Path) -> None:
    app, journal = form(tmp_path, who="")
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter", "enter")
        assert "Nothing to enter" in screen_text(app)
        await pilot.press(*"yes", "enter")
        assert "Say who says so." in screen_text(app)
        assert not journal.exists()
        await pilot.press(*"B. Tester", "enter")
        await pilot.pause()
    assert [e.who for e in load_journal(journal).entries] == ["B. Tester"]
