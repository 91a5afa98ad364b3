"""The demo's bench captures (invented): four planted faults, and none in the healthy one."""

from support.bench import as_built

from busplan.bench.node_report import BenchReport, NodeVerdict
from busplan.bench.prove import prove_node
from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.demo.captures import bench_charger, make_capture
from busplan.demo.files import shipped
from busplan.findings import Weight


def serious(report: BenchReport) -> list[tuple[str, str | None]]:
    return [(f.code, f.where.message) for f in report.findings if f.weight > Weight.NOTE]


def test_exactly_the_four_planted_faults() -> None:
    capture = read_capture(shipped("captures") / "bench_charger_short.log.gz")
    frames = apply_plan(capture, as_built()).frames
    report = prove_node(frames, as_built(), "charger")
    assert serious(report) == [
        ("counter-skips", "ChargerStatus"),
        ("cycle-time-off", "ChargerOutput"),
        ("message-undefined", None),
        ("payload-short", "ChargerTemperatures"),
    ]
    assert [u.label for u in report.unknown] == ["0x18FFA3E5"]


def test_the_healthy_one_passes() -> None:
    report = prove_node(bench_charger(20.0, healthy=True), as_built(), "charger")
    assert serious(report) == []
    assert report.verdict is NodeVerdict.PASS


def test_every_node_of_a_healthy_drive_passes_amid_the_others() -> None:
    frames = make_capture("drive", duration_s=12.0, healthy=True)
    verdicts = {
        (node.name, network): prove_node(frames, as_built(), node.name, network)
        for node in as_built().nodes.values()
        for network in node.on
    }
    wrong = {place: serious(report) for place, report in verdicts.items() if serious(report)}
    assert wrong == {}
    pedal = verdicts["pedal", "drive"].messages[0]
    roles = {s.name: s.detail for s in pedal.signals if s.role != "value"}
    assert roles["PedalCounter"] == "counts by 1 modulo 16"
    assert roles["PedalChecksum"].startswith("CRC-8 SAE J1850")
