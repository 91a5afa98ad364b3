"""``busplan commission`` from the first entry to the changed journal, on the demo's captures."""

import gzip
import io
import json
import shutil
import sys
from pathlib import Path

import pytest
from support.command import busplan

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT / "captures"


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    shutil.copytree(ROOT / "dbc_examples", tmp_path / "build")
    return tmp_path / "build" / "as_built.toml"


def states(out: str) -> dict[str, str]:
    return {t["test"]: t["state"] for t in json.loads(out)["tests"]}


def a_day_later(name: str, plan: Path) -> Path:
    """A capture of the demo as if it had been recorded on the next day."""
    lines = gzip.decompress((CAPTURES / name).read_bytes()).decode().splitlines()
    shifted = plan.with_name("next_day.log")
    with shifted.open("w") as file:
        for line in lines:
            time, rest = line[1:].split(")", 1)
            file.write(f"({float(time) + 86400:.6f}){rest}\n")
    return shifted


def test_a_build_is_ticked_off(plan: Path) -> None:
    capture = plan.with_name("key_on_short.log.gz")
    capture.write_bytes((CAPTURES / "key_on_short.log.gz").read_bytes())
    assert busplan("note", capture, "link light on", "--at", "1", "--by", "A. Tester").code == 0
    run = busplan("commission", plan, capture, "--json")
    assert run.code == 1, run.err
    told = states(run.out)
    assert told["key-on"] == "proven"
    assert told["behaviours pre-charge-before-main"] == "proven"
    assert told["behaviours fan-when-hot"] == "open"
    assert told["bench contactor_box"] == "proven"
    entry = json.loads(run.out)["journal"]["entries"][0]
    assert entry["captures"][0]["name"] == "key_on_short.log.gz"
    assert len(entry["captures"][0]["sha256"]) == 64
    noted = {"at_s": 1.0, "by": "A. Tester", "text": "link light on"}
    assert entry["captures"][0]["notes"] == [noted]
    # A welded contactor fails the key-on; the sound capture after it is the proof of the repair.
    failed = busplan("commission", plan, CAPTURES / "key_on_welded_short.log.gz")
    assert failed.code == 2
    assert "! key-on: failed" in failed.out
    again = busplan("commission", plan, CAPTURES / "key_on_short.log.gz")
    assert "entry 3 passes, but was recorded before that" in " ".join(again.out.split())
    again = busplan("commission", plan, a_day_later("key_on_short.log.gz", plan), "--tables")
    assert "failed before, now proven" in again.out
    assert "High voltage can kill" in again.err

    hand = ("commission", plan, "--by", "A. Tester")
    assert "bonding: failed" in busplan(*hand, "--measure", "bonding=0.3").out
    accepted = busplan(*hand, "--accept", "bonding", "--remark", "dry paint, see drawing")
    assert "accepted by A. Tester: dry paint" in accepted.out
    assert "labels: proven" in busplan(*hand, "--looked", "labels=yes").out
    wrong = busplan(*hand, "--correct", "6", "--remark", "the wrong van")
    assert states(busplan("commission", plan, "--json").out)["labels"] == "proven"
    assert wrong.code == 1
    assert busplan("commission", plan, "--verify").code == 0

    journal = plan.with_suffix(".journal")
    data = journal.read_bytes()
    assert len(data.splitlines()) == 8
    journal.write_bytes(data.replace(b"dry paint", b"dry plant"))
    changed = busplan("commission", plan, "--verify")
    assert changed.code == 2
    assert "line 6 has been changed" in changed.out
    assert busplan(*hand, "--looked", "leaks=yes").code == 3


def test_the_form_asks_for_what_is_open(plan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = ["60", "no number", "59.8", *[""] * 3, "", "", "yes"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(answers) + "\n" * 40))
    run = busplan("commission", plan, "--by", "A. Tester", "--form", "--json")
    assert run.code == 1, run.err
    document = json.loads(run.out[run.out.index('{\n  "vehicle"') :])
    told = {t["test"]: t["state"] for t in document["tests"]}
    assert told["pair-resistance drive"] == "proven"
    assert told["pair-resistance pack"] == "proven"
    assert told["labels"] == "proven"
    assert told["leaks"] == "open"


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--looked", "leaks=yes"], "--by"),
        (["--by", "A", "--looked", "leaks"], "TEST=VALUE"),
        (["--by", "A", "--measure", "leaks=3"], "is not measured"),
        (["--by", "A", "--looked", "leek=yes"], '"leaks"'),
        (["--by", "A", "--correct", "9", "--remark", "x"], "no entry 9"),
        (["--by", "A", "--correct", "1"], "--remark"),
        (["--by", "A", "--accept", "leaks", "--remark", "x"], "has not failed"),
    ],
)
def test_what_cannot_be_entered(plan: Path, words: list[str], why: str) -> None:
    run = busplan("commission", plan, *words)
    assert run.code == 3
    assert why in run.err
    assert not plan.with_suffix(".journal").exists()


def test_recordings_of_different_hours_are_no_one_entry(plan: Path) -> None:
    """Taken as one, nobody recorded most of it: mean loads near zero, every node silent."""
    both = (CAPTURES / "key_on_short.log.gz", CAPTURES / "drive_short.log.gz")
    run = busplan("commission", plan, *both)
    assert run.code == 3
    assert "key_on_short.log.gz begins" in run.err
    assert "give each on its own" in run.err
    assert not plan.with_suffix(".journal").exists()
