"""``busplan bench`` as its user calls it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from support.bench import PLANS, charger_rows, table_of

from busplan.capture.textlog import write_textlog


def busplan(*args: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "busplan", "bench", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", timeout=60)


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.log"
    write_textlog(table_of(charger_rows(10), "can0"), path)
    return path


def test_a_good_node_passes_and_leaves_its_record(good: Path, tmp_path: Path) -> None:
    folder = tmp_path / "records"
    result = busplan(
        *("charger", "--plan", PLANS / "as_built.toml", "--capture", good),
        *("--serial", "X1", "--tester", "T", "--record", folder),
    )
    assert result.returncode == 0, result.stderr
    assert "charger: pass" in result.stdout
    assert "invented" in result.stdout
    assert "charge would go from" in result.stdout
    assert sorted(p.suffix for p in folder.iterdir()) == [".html", ".json", ".md"]
    document = json.loads(next(folder.glob("*.json")).read_text("utf-8"))
    assert (document["serial"], document["verdict"]) == ("X1", "pass")


def test_a_part_without_a_plan(good: Path) -> None:
    result = busplan(
        *("CHARGER", "--part", PLANS / "charger.dbc", "--bit-rate", 250_000),
        *("--capture", good, "--json"),
    )
    assert result.returncode == 0, result.stderr
    assert json.loads(result.stdout)["network"] == "bench"


def test_a_bad_node_fails_with_exit_code_2(tmp_path: Path) -> None:
    rows = [(t * 5 // 4, i, p) for t, i, p in charger_rows(10)]
    path = tmp_path / "slow.log"
    write_textlog(table_of(rows, "can0"), path)
    result = busplan("charger", "--plan", PLANS / "as_built.toml", "--capture", path)
    assert result.returncode == 2
    assert "cycle-time-off" in result.stdout


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ([], "say which node"),
        (["charger"], "either --plan or --part"),
        (["charger", "--plan", PLANS / "as_built.toml"], "--capture or --interface"),
        (["charger", "--plan", "none.toml", "--capture", "x.log"], "no such file"),
        (
            ["charger", "--plan", PLANS / "as_built.toml", "--capture", "none.log"],
            "none.log: no such file",
        ),
        (["NOBODY", "--part", PLANS / "charger.dbc", "--capture", "x.log"], "CHARGER"),
        (
            ["charger", "--plan", PLANS / "as_built.toml", "--capture", "x", "--checksum", "a=b"],
            "kinds: CRC-8 SAE J1850",
        ),
        (["--find-bit-rate", "-i", "socketcan:can0"], "listen only"),
    ],
)
def test_a_wrong_call_is_one_clear_message(args: list[object], words: str) -> None:
    result = busplan(*args)
    assert result.returncode == 3
    assert words in result.stderr
    assert "Traceback" not in result.stderr


def test_the_wiring_table_needs_nothing_else() -> None:
    result = busplan("--wiring")
    assert result.returncode == 0
    for fact in ("60 Ω", "swapped", "2.5 V", "High voltage can kill"):
        assert fact in result.stdout
