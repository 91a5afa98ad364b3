"""``busplan check`` and ``busplan load`` as their users call them."""

import json
import subprocess
import sys
from pathlib import Path

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


def busplan(*args: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "busplan", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", timeout=60)


def test_exit_code_follows_the_heaviest_finding() -> None:
    assert busplan("check", EXAMPLES / "as_built.toml").returncode == 0
    bought = busplan("check", EXAMPLES / "as_bought.toml")
    assert bought.returncode == 2
    assert "Magpie (invented)" in bought.stdout
    assert bought.stderr == ""


def test_one_code_alone() -> None:
    result = busplan("check", EXAMPLES / "as_bought.toml", "--code", "load-over-limit", "--json")
    document = json.loads(result.stdout)
    assert result.returncode == 1
    assert document["counts"] == {"fault": 0, "caution": 1, "note": 0}
    assert document["findings"][0]["where"] == {"network": "body"}
    assert {f["unit"] for f in document["findings"][0]["figures"]} == {"%", "bit/s"}


def test_load_fits_80_columns() -> None:
    result = busplan("load", EXAMPLES / "as_bought.toml", "--network", "body")
    assert result.returncode == 0
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "CoolantCommand" in result.stdout


def test_load_tells_both_phases_of_can_fd() -> None:
    text = busplan("load", EXAMPLES / "as_built.toml").stdout
    assert "telemetry  500/2000 kbit/s" in text
    assert "telemetry by phase:" in text
    assert max(map(len, text.splitlines())) <= 80


def test_load_as_json_says_where_each_period_and_limit_comes_from() -> None:
    document = json.loads(busplan("load", EXAMPLES / "as_bought.toml", "--json").stdout)
    body = next(n for n in document["networks"] if n["network"] == "body")
    assert body["limit_origin"] == "plan"
    door = next(m for m in body["messages"] if m["message"] == "DoorEvent")
    assert (door["period_origin"], door["event"]) == ("plan", True)
    assert document["window"]


def test_a_wrong_call_ends_with_3_and_a_hint() -> None:
    for args in (["check", "--nonsense"], ["chek"], ["load"], ["explain", "nonsense"]):
        result = busplan(*args)
        assert result.returncode == 3
        assert result.stderr.startswith("busplan: ")
        assert "Traceback" not in result.stderr
        assert result.stdout == ""


def test_checking_a_plan_imports_nothing_heavy() -> None:
    # numpy too: loading it takes as long as all else that a check of a small plan does.
    script = (
        "import sys; from busplan.plan.reader import load_plan"
        "; from busplan.checks import run_checks"
        "; run_checks(load_plan(sys.argv[1])); heavy = {'numpy', 'pandas', 'numba', 'textual'"
        ", 'can', 'scipy', 'pyarrow'} & set(sys.modules)"
        "; sys.exit(' '.join(heavy) or 0)"
    )
    command = [sys.executable, "-c", script, str(EXAMPLES / "as_bought.toml")]
    result = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert result.stderr == ""
    assert result.returncode == 0


def test_the_command_line_itself_imports_nothing_heavy() -> None:
    script = (
        "import sys; from typer.main import get_command; from busplan.cli.app import app"
        "; every = list(get_command(app).commands.values())"
        "; heavy = {'numpy', 'pydantic', 'cantools', 'textual', 'rich'} & set(sys.modules)"
        "; sys.exit(' '.join(heavy) or 0)"
    )
    result = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60
    )
    assert result.stderr == ""


def test_a_call_loads_the_command_it_calls_and_no_other() -> None:
    script = (
        "import sys; from busplan.cli.app import app"
        "; app(['frame', '0x123', '00'], standalone_mode=False)"
        "; print(*(m for m in sys.modules if m.endswith('_command')), file=sys.stderr)"
    )
    result = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60
    )
    assert result.stderr.split() == ["busplan.cli.frame_command"]
