"""Names of ten thousand letters: cut with a mark where a definition has one, refused in a plan."""

from pathlib import Path

import pytest
from support.command import busplan
from support.plans import dbc, message, signal

LONG = 10_000


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """Twins on one network whose message, and a signal of it, have such names; one who needs it."""
    told = message(0x20, "m" * LONG, "A", signal("S" * LONG, 0, 8, to="B"))
    (tmp_path / "long.dbc").write_text(dbc(["A", "B"], told, cycles={0x20: 50}), "utf-8")
    path = tmp_path / "long.toml"
    path.write_text(
        "[vehicle]\nname = 'Long'\ninvented = true\n"
        "[network.one]\nbit_rate = 250_000\n[network.two]\nbit_rate = 250_000\n"
        "[part.p]\ndefinitions = 'long.dbc'\nsender = 'A'\n"
        "[part.q]\ndefinitions = 'long.dbc'\nsender = 'B'\n"
        "[node.a]\npart = 'p'\non = ['one']\n[node.b]\npart = 'p'\non = ['one']\n"
        "[node.c]\npart = 'q'\non = ['two']\n",
        "utf-8",
    )
    return path


@pytest.mark.parametrize(
    "command",
    [
        ("check",),
        ("allot", "--only", "identifiers"),
        ("allot", "--seconds", "5"),
        ("timing", "--network", "one"),
        ("whatif", "--bit-rate", "one=125000"),
        ("sheets",),
    ],
    ids=" ".join,
)
def test_no_line_is_longer_than_the_terminal(
    plan: Path, command: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    to = ("--to", "sheets") if command == ("sheets",) else ()
    run = busplan(command[0], plan, *command[1:], *to)
    assert run.code < 3, run.err
    long = [line[:40] for line in run.out.splitlines() if len(line) > 80]
    assert not long
    if command == ("check",):
        assert "~" in run.out


def test_a_plan_with_such_a_name_is_refused_with_where_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "long.toml"
    path.write_text(f"[vehicle]\nname = 'L'\n[network.{'n' * 201}]\nbit_rate = 250_000\n", "utf-8")
    run = busplan("check", path)
    assert run.code == 3
    assert "long.toml:3: network.nnn" in run.err
    assert "at most 200 letters" in run.err
    assert "n" * 61 not in run.err
    path.write_text(path.read_text("utf-8").replace("n" * 201, "n" * 200), "utf-8")
    assert "at most" not in busplan("check", path).err
