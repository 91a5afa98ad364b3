"""The whole story of Magpie: commissioned test by test, with what fails and how it is mended.

All of it invented. One behaviour fails (the fan is late), the drive loop's pump carries an older
software, some tests never come up, and a second warm-up proves that C2's air pocket is gone.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import NamedTuple

from busplan.capture.capture import apply_plan
from busplan.capture.checksum import file_facts
from busplan.capture.read import read_capture
from busplan.commission.by_hand import accepted, looked, measured, named_test
from busplan.commission.cover import Covered, saying_of
from busplan.commission.entry import Saying, next_entry
from busplan.commission.journal_file import append_entry, load_journal
from busplan.demo.captures import write_capture
from busplan.demo.files import definition_files
from busplan.errors import UsageError
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle

BY = "A. Tester (invented)"
PLAN = "as_built.toml"


class Chapter(NamedTuple):
    """One capture of the story: its scene, with or without what is planted, its file, and how many
    hours after the scene's usual time it was recorded."""

    scene: str
    healthy: bool
    file: str
    later_h: int = 0


LATER = Chapter("second-year", False, "second_year.log.gz")
"""A drive 14 months after the hand-over, which is held against all of this."""
CHAPTERS = (
    Chapter("key-on", False, "key_on.log.gz"),
    Chapter("charge", True, "charge.log.gz"),
    Chapter("warm-up", False, "warm_up.log.gz"),
    Chapter("drive", True, "drive.log.gz"),
    Chapter("fan-late", False, "fan_late.log.gz"),
    Chapter("warm-up", True, "warm_up_after_bleeding.log.gz", later_h=14),
)
MEASURED = {
    "pair-resistance drive": "60.2",
    "pair-resistance pack": "59.8",
    "bonding": "0.04",
    "insulation": "640",
    "no-voltage": "3",
    "coolant-pressure": "0.02 12min",
}
LOOKED = {"orange-cables": "yes", "labels": "yes", "cut-off": "yes", "fuses": "yes", "leaks": "no"}
ACCEPTED = {"leaks": "sweats at hose B, clamp tightened; looked at again after a week"}


def commission(
    folder: Path,
    chapters: Sequence[Chapter] = CHAPTERS,
    *,
    short: bool = False,
    later: Chapter | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Path:
    """Write plan and captures into an empty folder and commission the van; the plan's path.

    ``short`` takes the short cuts of the captures; ``later`` is a capture that is only written;
    ``tell`` hears what is being done.
    :class:`busplan.errors.UsageError` when the folder holds anything.
    """
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty; choose a new folder for the story")
    folder.mkdir(parents=True, exist_ok=True)
    for source in definition_files():
        shutil.copyfile(source, folder / source.name)
    plan = folder / PLAN
    vehicle = load_plan(plan)
    journal = plan.with_suffix(".journal")
    for name, value in MEASURED.items():
        _enter(journal, Saying("measured", (measured(named_test(vehicle, name), value),)))
    for name, answer in LOOKED.items():
        _enter(journal, Saying("looked", (looked(named_test(vehicle, name), answer),)))
    for name, reason in ACCEPTED.items():
        _enter(journal, accepted(vehicle, load_journal(journal), name, reason))
    for chapter in chapters:
        path = folder / chapter.file
        tell(f"making and judging {path.name}")
        write_capture(
            chapter.scene,
            path,
            healthy=chapter.healthy,
            short=short,
            later_h=chapter.later_h,
        )
        _enter(journal, _judged(vehicle, path))
    if later is not None:
        tell(f"making {later.file}, which is not entered")
        write_capture(later.scene, folder / later.file, healthy=later.healthy, short=short)
    return plan


def _judged(vehicle: Vehicle, path: Path) -> Saying:
    capture = apply_plan(read_capture([path], cache=False), vehicle)
    covered = Covered(vehicle, capture.frames, capture.findings)
    return saying_of(covered, (file_facts(path, capture.frames),))


def _enter(journal: Path, said: Saying) -> None:
    time = datetime.now(UTC).isoformat(timespec="seconds")
    append_entry(journal, partial(next_entry, said=said, time=time, who=BY))
