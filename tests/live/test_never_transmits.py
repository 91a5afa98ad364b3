"""Nothing leaves on a bus without the explicit flag."""

import ast
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import pytest
import typer
from support.bench import PLANS, as_built
from support.recording_bus import KIND, RememberingBus, install
from typer.testing import CliRunner

from busplan.cli.app import app
from busplan.errors import UsageError
from busplan.live.interface_spec import parse_interface
from busplan.live.interfaces import open_receiver

PACKAGE = Path(__file__).parents[2] / "busplan"


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


def test_whether_an_interface_acknowledges_is_said(tmp_path: Path) -> None:
    result = CliRunner().invoke(
        app, ["record", str(tmp_path / "a.log"), "-i", f"charge={KIND}:x", "--seconds", "0.2"]
    )
    assert "charge: never sends; this kind of interface cannot be told" in result.stderr


BENCH = ("bench", "charger", "--plan", PLANS / "as_built.toml", "-i", f"{KIND}:x")


ON = ("-i", f"charge={KIND}:x", "--seconds", "0.2")
PLAN = ("--plan", str(PLANS / "as_built.toml"))
PART = ("bench", "CHARGER", "--part", str(PLANS / "charger.dbc"), "-i", f"{KIND}:x")
ASKS = "7E0#023E00=7E8"
LISTENING: dict[str, tuple[str, ...]] = {
    "record": ("record", "{folder}/a.log", *ON, *PLAN),
    "record, files in turn": (
        "record",
        "{folder}/a.log",
        *ON,
        "--rotate-minutes",
        "0.01",
        "--json",
    ),
    "live": ("live", *PLAN, *ON, "--text", "--screen", "messages"),
    "live, JSON": ("live", *PLAN, *ON, "--json", "--record", "{folder}/b.log"),
    "live, no plan": ("live", *ON, "--definitions", str(PLANS / "charger.dbc"), "--text"),
    "bench": (*map(str, BENCH), "--seconds", "0.2", "--record", "{folder}"),
    "bench, power-on": (*PART, "--seconds", "0.4", "--power-on", "0.1"),
    "bench, cycles": (*PART, "--seconds", "0.2", "--cycles", "1", "--off-seconds", "1"),
    "bench, faults": (*PART, "--seconds", "0.2", "--fault", "short"),
    "bench, no definition": ("bench", "x", "--survey", "-i", f"{KIND}:x", "--seconds", "0.2"),
    "bench, acknowledging": (*PART, "--seconds", "0.2", "--acknowledge"),
    "bench, bit rate": ("bench", "--find-bit-rate", "-i", f"{KIND}:x", "--seconds", "1"),
}
REFUSED: dict[str, tuple[str, ...]] = {
    "asking": (*map(str, BENCH), "--ask", ASKS),
    "feeding": (*map(str, BENCH), "--feed", "{folder}/feed.toml"),
    "asking without a definition": ("bench", "x", "--survey", "-i", f"{KIND}:x", "--transmit"),
    "asking among faults": (*map(str, BENCH), "--fault", "short", "--transmit", "--ask", ASKS),
    "playing": ("simulate", str(PLANS / "as_built.toml"), "--seconds", "0.1", "--to", f"{KIND}:x"),
}
"""What would send, but not so."""


@pytest.mark.parametrize("name", LISTENING)
def test_no_command_sends_unless_told(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("busplan.live.interface_spec.SILENT_OPTIONS", {KIND: {"quiet": True}})
    monkeypatch.setattr("busplan.live.bit_rate.SILENT_OPTIONS", {KIND: {"quiet": True}})
    monkeypatch.setattr("busplan.live.bit_rate.LEAST_S", 0.05)
    for step in ("SETTLE_S", "HOLD_S", "RECOVER_S"):
        monkeypatch.setattr(f"busplan.bench.fault_steps.{step}", 0.2)
    run(*(part.format(folder=tmp_path) for part in LISTENING[name]))
    assert RememberingBus.sent == []
    for record in tmp_path.glob("bench-*.json"):
        assert json.loads(record.read_text("utf-8"))["sent"] == []


@pytest.mark.parametrize("name", REFUSED)
def test_what_would_send_is_refused_before_a_bus_is_opened(name: str, tmp_path: Path) -> None:
    (tmp_path / "feed.toml").write_text(FEED, encoding="utf-8")
    call = [part.format(folder=tmp_path) for part in REFUSED[name]]
    result = CliRunner().invoke(app, call)
    assert isinstance(result.exception, UsageError), result.output
    assert (RememberingBus.sent, RememberingBus.opened) == ([], 0)


def test_every_command_that_opens_an_interface_is_tried_here() -> None:
    group: Any = typer.main.get_command(app)
    opens = {
        name
        for name, command in group.commands.items()
        if any("--interface" in option.opts for option in command.params)
    }
    assert opens == {call[0] for call in LISTENING.values()}


def test_acknowledging_sends_no_frame(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Acknowledge bits are the controller's own; the interface is opened without its silence."""
    monkeypatch.setattr("busplan.live.interfaces.SILENT_OPTIONS", {KIND: {"quiet": True}})
    options = ("--seconds", "0.2", "--record", str(tmp_path))
    silent = CliRunner().invoke(app, [*map(str, BENCH), *options])
    assert RememberingBus.options == {"quiet": True}
    assert "acknowledges nothing" in " ".join(silent.stderr.split())
    told = CliRunner().invoke(app, [*map(str, BENCH), *options, "--acknowledge"])
    assert RememberingBus.options == {}
    assert RememberingBus.sent == []
    words = " ".join(told.stderr.split())
    assert "never on a vehicle" in words
    assert "charge: never sends; acknowledges, as told" in words
    kept = [json.loads(p.read_text("utf-8"))["acknowledged"] for p in tmp_path.glob("*.json")]
    assert True in kept


@pytest.mark.parametrize("call", [("--find-bit-rate", "-i", f"{KIND}:x"), ("--capture", "a.log")])
def test_acknowledging_is_for_one_live_bench(call: tuple[str, ...]) -> None:
    plan = str(PLANS / "as_built.toml")
    result = CliRunner().invoke(app, ["bench", "charger", "--plan", plan, *call, "--acknowledge"])
    assert "--acknowledge" in str(result.exception)
    assert RememberingBus.opened == 0


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
    assert "sent by busplan" in result.stdout
    document = json.loads(next(tmp_path.glob("*.json")).read_text("utf-8"))
    frames = [(s["frame"], s["answer_ms"]) for s in document["sent"]]
    assert frames == [("7E0#023E00", None), ("18EAE5F9#00EE00", None)]
    journal = next(tmp_path.glob("*.journal")).read_text("utf-8")
    assert journal.count('"what": "sending"') == 2


FEED = """
[[feed]]
message = "ChargeRequest"
every_ms = 50
"""


def test_feeding_with_the_flag_sends_only_the_file(tmp_path: Path) -> None:
    file = tmp_path / "feed.toml"
    file.write_text(FEED, encoding="utf-8")
    call = [*map(str, BENCH), "--seconds", "0.4", "--feed", str(file)]
    request = next(s.message for s in as_built().on("charge") if s.message.name == "ChargeRequest")
    told = CliRunner().invoke(app, [*call, "--transmit", "--record", str(tmp_path)])
    assert "Transmitting as asked" in told.stderr
    fed = [m for m in RememberingBus.sent if m.arbitration_id == request.identifier]
    assert len(fed) >= 4
    asked = {m.arbitration_id for m in RememberingBus.sent} - {request.identifier}
    assert asked <= {0x18EAE5F9}, "the usual J1939 question besides"
    assert "sending " in told.stderr


def test_a_receiver_cannot_be_made_to_send() -> None:
    receiver = open_receiver(parse_interface(f"charge={KIND}:x"))
    assert not [n for n in dir(receiver) if "send" in n or "transmit" in n]
    receiver.receive(0.1)
    receiver.close()
    assert RememberingBus.sent == []


HARMLESS = {
    *("Message", "CanInterfaceNotImplementedError", "BusABC", "BusState", "VALID_INTERFACES"),
    *("ASCReader", "TRCReader", "CSVReader", "BLFReader", "io", "bit_timing"),
}
"""What the package may use of python-can anywhere: nothing of it opens a bus."""
SENDING = {"send", "send_periodic", "sendto", "sendall", "sendmsg", "flush_tx_buffer"}


SENDERS = {"busplan.live.asking", "busplan.live.playing"}


def used_in(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """(what, name) for everything that could lead to a transmission, however it is written."""
    nodes = list(ast.walk(tree))
    python_can = any(a.name == "can" for n in nodes if isinstance(n, ast.Import) for a in n.names)
    for node in nodes:
        if isinstance(node, ast.Attribute):
            if python_can and isinstance(node.value, ast.Name) and node.value.id == "can":
                yield "can", node.attr
            yield "attribute", node.attr
        elif isinstance(node, ast.Name):
            yield "name", node.id
        elif isinstance(node, ast.ImportFrom):
            if (node.module or "").split(".")[0] == "can":
                yield from (("can", alias.name) for alias in node.names)
            yield "import", node.module or ""
            yield from (("name", alias.name) for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (("import", alias.name) for alias in node.names)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield "text", node.value


def test_only_listed_modules_can_reach_anything_that_sends() -> None:
    """Who sends needs a ``Sender``; who makes one is listed here and asks the user first.

    Names are compared in the syntax tree, so a default argument or an alias counts as a use.
    """
    found: dict[str, set[str]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        module = path.relative_to(PACKAGE).as_posix()
        for kind, name in used_in(ast.parse(path.read_text("utf-8"))):
            risky = {
                "can": name not in HARMLESS,
                "import": name == "socket" or name.startswith("can.") or name in SENDERS,
                "attribute": name in SENDING or name in ("_bus", "PF_CAN", "AF_CAN"),
                "name": name in ("open_sender", "Sender", "__import__"),
                "text": name in SENDING,
            }
            if risky[kind]:
                found.setdefault(f"{kind} {name}", set()).add(module)
    assert found == {
        "can Bus": {"live/interfaces.py"},
        "attribute _bus": {"live/interfaces.py"},
        "attribute send": {
            *("live/interfaces.py", "live/asking.py", "live/playing.py"),
            "live/feeding.py",  # through a line
        },
        "name open_sender": {"live/playing.py", "cli/bench_live.py"},
        "name Sender": {
            *("live/interfaces.py", "live/asking.py", "live/playing.py"),
            "bench/live_run.py",  # as handed to it: it opens none
        },
        # The first two for a type only; the last gives it what it was handed.
        "import busplan.live.asking": {
            *("live/listening.py", "live/feeding.py", "bench/live_run.py"),
        },
        "import busplan.live.playing": {"cli/simulate_command.py", "cli/play_command.py"},
        # The last for this computer's name only.
        "import socket": {"live/interfaces.py", "screens/browser.py", "fleet/lease.py"},
    }


@pytest.mark.parametrize("to", [f"{KIND}:x", "socketcan:can0", "pcan:PCAN_USBBUS1"])
def test_a_plan_is_never_played_onto_hardware(to: str) -> None:
    result = CliRunner().invoke(
        app, ["simulate", str(PLANS / "as_built.toml"), "--seconds", "0.1", "--to", to]
    )
    assert "only software buses" in str(result.exception)
    assert RememberingBus.opened == 0
