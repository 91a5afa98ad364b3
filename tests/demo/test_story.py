"""The story of the demo: a build commissioned from the first measurement to the report's words."""

from pathlib import Path

import pytest

from busplan.commission.baseline import baseline_of
from busplan.commission.journal_file import load_journal
from busplan.commission.state import Commissioning, commissioning_of
from busplan.demo.story import CHAPTERS, Chapter, commission
from busplan.errors import UsageError
from busplan.pack.drift import Topic
from busplan.plan.reader import load_plan
from busplan.report.contents import Report
from busplan.report.tables import baseline_rows

SHORT = (
    Chapter("key-on-welded", False, "welded.log.gz"),
    Chapter("fan-late", False, "fan_late.log.gz"),
    Chapter("key-on-welded", True, "mended.log.gz", later_h=1),
)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Commissioning]:
    plan = commission(tmp_path_factory.mktemp("story"), SHORT, short=True)
    return plan, commissioning_of(load_plan(plan), load_journal(plan.with_suffix(".journal")))


def test_one_fails_one_is_not_shown_one_is_mended(told: tuple[Path, Commissioning]) -> None:
    _, state = told
    tests = {t.test.name: t for t in state.tests}
    assert tests["behaviours fan-when-hot"].state == "failed"
    assert tests["behaviours pump-when-hot"].state == "not shown"
    assert tests["key-on"].repaired
    assert tests["leaks"].accepted is not None
    assert tests["coolant-pressure"].state == "proven"
    assert state.journal.whole
    report = Report(load_plan(told[0]), state, "now")
    assert report.words.startswith("Not ready to hand over")
    assert [t.test.name for t in state.tests if t.repaired] == ["key-on"]
    kept = {row[0] for row in baseline_rows(report)}
    assert {"load of pack", "periods on pack", "insulation (key-on)"} <= kept


def test_what_was_found_of_the_pack_is_kept(told: tuple[Path, Commissioning]) -> None:
    plan, state = told
    baseline = baseline_of(state)
    assert len(baseline.cells) == 96
    assert Topic.VOLTAGE in baseline.topics
    fresh = commissioning_of(load_plan(plan), load_journal(plan.with_name("none.journal")))
    with pytest.raises(UsageError, match="no capture of the pack"):
        baseline_of(fresh)


def test_the_whole_story_has_its_repair() -> None:
    scenes = [c.scene for c in CHAPTERS]
    first, again = (i for i, s in enumerate(scenes) if s == "warm-up")
    assert not CHAPTERS[first].healthy
    assert CHAPTERS[again].healthy
    assert CHAPTERS[again].later_h > 0
    assert "fan-late" in scenes


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("x")
    with pytest.raises(UsageError, match="not empty"):
        commission(tmp_path)
