"""Nothing leaves on a bus without the explicit flag."""

import ast
from pathlib import Path

import can
import pytest
from support.bench import PLANS, as_built
from support.recording_bus import KIND, RememberingBus, install
from typer.testing import CliRunner

from busplan.cli.app import app
from busplan.live.interfaces import open_receiver, parse_interface

PACKAGE = Path(__file__).parents[2] / "busplan"
SENDING = {"send", "send_periodic"}


@pytest.fixture(autouse=True)
def _bus() -> None:
    install()
    message = next(s.message for s in as_built().on("charge") if s.node == "charger")
    RememberingBus.incoming.append(
        can.Message(arbitration_id=message.identifier, is_extended_id=True, data=bytes(8))
    )


def run(*args: object) -> int:
    result = CliRunner().invoke(app, [str(a) for a in args])
    assert RememberingBus.opened > 0, result.output
    return result.exit_code


def test_recording_sends_nothing(tmp_path: Path) -> None:
    plan = PLANS / "as_built.toml"
    code = run(
        "record", tmp_path / "a.log", "-i", f"charge={KIND}:x", "--plan", plan, "--seconds", 0.5
    )
    assert code == 0
    assert RememberingBus.sent == []
    assert (tmp_path / "a.log").stat().st_size > 0


def test_watching_sends_nothing() -> None:
    code = run(
        *("live", "--plan", PLANS / "as_built.toml", "-i", f"charge={KIND}:x"),
        *("--seconds", 0.5, "--text", "--screen", "messages"),
    )
    assert code == 0
    assert RememberingBus.sent == []


BENCH = ("bench", "charger", "--plan", PLANS / "as_built.toml", "-i", f"{KIND}:x")


def test_the_bench_sends_nothing_unless_told(tmp_path: Path) -> None:
    run(*BENCH, "--seconds", 0.5, "--record", tmp_path)
    assert RememberingBus.sent == []


def test_the_bench_sends_its_questions_when_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busplan.live.asking.ANSWER_WITHIN_S", 0.05)
    result = CliRunner().invoke(
        app,
        [
            *map(str, BENCH),
            *("--seconds", "0.5", "--record", str(tmp_path)),
            *("--transmit", "--ask", "7E0#023E00=7E8"),
        ],
    )
    assert "Transmitting as asked" in result.stderr
    sent = [(m.arbitration_id, bytes(m.data)) for m in RememberingBus.sent]
    assert sent == [
        (0x7E0, bytes.fromhex("023E00")),
        (0x18EAE5F9, bytes.fromhex("00EE00")),
    ]
    assert "request-unanswered" in result.stdout


def test_asking_without_the_flag_is_refused(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, [*map(str, BENCH), "--ask", "7E0#023E00=7E8"])
    assert result.exit_code != 0
    assert "--transmit" in str(result.exception)
    assert RememberingBus.sent == []


def test_a_receiver_cannot_be_made_to_send() -> None:
    receiver = open_receiver(parse_interface(f"charge={KIND}:x"))
    assert not [n for n in dir(receiver) if "send" in n or "transmit" in n]
    receiver.receive(0.1)
    receiver.close()
    assert RememberingBus.sent == []


def calls_in(path: Path) -> list[str]:
    tree = ast.parse(path.read_text("utf-8"))
    return [
        node.func.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
    ]


def test_only_the_interface_module_touches_a_bus() -> None:
    """Who sends needs a ``Sender``; who makes one is listed here and asks the user first."""
    makers, openers = [], []
    for path in sorted(PACKAGE.rglob("*.py")):
        text = path.read_text("utf-8")
        name = path.relative_to(PACKAGE).as_posix()
        if "open_sender(" in text:
            makers.append(name)
        if "can.Bus(" in text or "BusABC(" in text:
            openers.append(name)
        if SENDING & set(calls_in(path)):
            assert name in {"live/interfaces.py", "live/asking.py", "live/playing.py"}, name
    assert openers == ["live/interfaces.py"]
    assert set(makers) <= {"live/interfaces.py", "cli/bench.py", "cli/simulate.py"}
