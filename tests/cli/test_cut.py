"""``busplan cut`` as called."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.command import busplan

from busplan.capture.read import read_capture

LINES = [
    "(1700000000.000000) can0 123#0011",
    "(1700000001.000000) can1 00000123#22",
    "(1700000001.500000) can1 20000004#00",
    "(1700000002.000000) can0 123##133445566 T",
    "(1700000003.000000001) can0 7FF#R4",
]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "a.log"
    path.write_text("\n".join(LINES) + "\n")
    return path


@pytest.mark.parametrize(
    ("options", "kept"),
    [
        ([], [0, 1, 2, 3, 4]),
        (["--from", "1", "--to", "2"], [1, 2]),
        (["--network", "can1"], [1, 2]),
        (["--identifier", "0x123"], [0, 3]),
        (["--identifier", "0x00000123", "--identifier", "0x7FF"], [1, 4]),
        (["--network", "can0", "--from", "2"], [3, 4]),
    ],
)
@pytest.mark.parametrize("name", ["cut.log", "cut.log.gz"])
def test_the_frames_asked_for_stay_as_recorded(
    log: Path, tmp_path: Path, options: list[str], kept: list[int], name: str
) -> None:
    run = busplan("cut", log, "--out", tmp_path / name, *options)
    assert run.code == 0
    assert f"{len(kept)} of 5 frames" in run.out
    whole, cut = read_capture(log).frames, read_capture(tmp_path / name).frames
    assert cut.time_ns.tolist() == whole.time_ns[kept].tolist()
    assert cut.identifier.tolist() == whole.identifier[kept].tolist()
    assert cut.flags.tolist() == whole.flags[kept].tolist()
    assert cut.length.tolist() == whole.length[kept].tolist()
    assert [cut.bytes_of(i) for i in range(len(kept))] == [whole.bytes_of(i) for i in kept]
    assert [cut.networks[i] for i in cut.network] == [
        whole.networks[whole.network[i]] for i in kept
    ]


def test_a_plan_names_the_networks_and_the_channels_stay(log: Path, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[vehicle]\nname = "Cart"\n[network.pack]\nbit_rate = 500_000\nchannels = ["can1"]\n'
    )
    out = tmp_path / "cut.log"
    assert busplan("cut", log, "--plan", plan, "--network", "pack", "--out", out).code == 0
    frames = read_capture(out).frames
    assert (len(frames), frames.networks) == (2, ("can1",))


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--from", "100"], "no frame"),
        (["--network", "can9"], 'did you mean "can'),
        (["--identifier", "123"], "no identifier"),
        (["--identifier", "0x800"], "no identifier"),
        (["--out", "x.csv"], "name it .log"),
    ],
)
def test_wrong_calls_write_nothing(
    log: Path, tmp_path: Path, options: list[str], says: str
) -> None:
    run = busplan("cut", log, "--out", tmp_path / "cut.log", *options)
    assert run.code == 3
    assert says in run.err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.log"]


def test_an_existing_file_is_left_alone(log: Path) -> None:
    before = log.read_bytes()
    assert busplan("cut", log, "--out", log).code == 3
    assert log.read_bytes() == before
