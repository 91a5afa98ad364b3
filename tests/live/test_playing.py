"""Playing frames on software buses: all of them, in order, on time."""

import re
import threading
import time
from pathlib import Path

import can
import numpy as np
import pytest
from support.bench import PLANS

import busplan.manual
from busplan.errors import UsageError
from busplan.frames.kinds import BRS, ERROR, EXTENDED, FD, REMOTE
from busplan.frames.table import FrameTable
from busplan.live.interface_spec import InterfaceSpec, parse_interface
from busplan.live.playing import play, software_spec
from busplan.plan.reader import load_plan


def table() -> FrameTable:
    return FrameTable.from_columns(
        ["drive", "pack", "nowhere"],
        np.array([0, 50, 100, 100, 150, 200]) * 1_000_000 + 10**18,
        [0, 1, 0, 2, 0, 0],
        [0x100, 0x18FF0001, 0x101, 0x102, 0x103, 0x104],
        [0, EXTENDED, FD | BRS, 0, REMOTE, ERROR],
        [2, 1, 12, 1, 4, 0],
        np.arange(16),
    )


def test_frames_arrive_on_their_bus_in_order_and_on_time() -> None:
    specs = {n: software_spec(n, "virtual:playing", i) for i, n in enumerate(("drive", "pack"))}
    options = {"interface": "virtual", "protocol": can.CanProtocol.CAN_FD}
    drive = can.Bus(channel="playing-drive", **options)
    pack = can.Bus(channel="playing-pack", **options)
    begin = time.monotonic()
    played = play(table(), specs)
    took = time.monotonic() - begin
    got = [drive.recv(0) for _ in range(3)]
    assert [m and m.arbitration_id for m in got] == [0x100, 0x101, 0x103]
    assert got[1] is not None
    assert (got[1].is_fd, got[1].bitrate_switch, bytes(got[1].data)) == (
        True,
        True,
        bytes(range(3, 15)),
    )
    assert got[2] is not None
    assert (got[2].is_remote_frame, got[2].dlc) == (True, 4)
    other = pack.recv(0)
    assert other is not None
    assert (other.arbitration_id, other.is_extended_id) == (0x18FF0001, True)
    assert (played.frames, played.left_out) == (4, 2)
    assert took >= 0.2
    drive.shutdown()
    pack.shutdown()


def test_speed_and_stop() -> None:
    specs = {"drive": software_spec("drive", "virtual:stopping", 0)}
    begin = time.monotonic()
    play(table(), specs, speed=100)
    assert time.monotonic() - begin < 0.15
    stop = threading.Event()
    stop.set()
    assert play(table(), specs, stop=stop).frames == 0


def test_hardware_is_refused() -> None:
    with pytest.raises(UsageError, match="only software buses"):
        software_spec("drive", "socketcan:can0", 0)
    with pytest.raises(UsageError, match="only software buses"):
        play(table(), {"drive": parse_interface("drive=socketcan:can0")})


@pytest.mark.parametrize("to", ["drive=virtual", "drive=udp_multicast:239.74.163.2", "drive=x:y"])
def test_a_mapping_of_networks_is_refused_with_what_is_accepted(to: str) -> None:
    """Other commands take ``NETWORK=KIND:CHANNEL``; here one place holds for all networks."""
    with pytest.raises(UsageError) as refused:
        software_spec("drive", to, 0)
    told = str(refused.value)
    assert told.count(to) == 1
    for words in ("udp_multicast[:GROUP] or virtual[:NAME]", "no NETWORK= stands before it"):
        assert words in told
    with pytest.raises(UsageError) as other:
        software_spec("drive", "socketcan:can0", 0)
    assert "NETWORK=" not in str(other.value)


def test_each_network_has_a_bus_of_its_own() -> None:
    specs: list[InterfaceSpec] = [
        software_spec(n, to, i)
        for to in ("virtual", "udp_multicast")
        for i, n in enumerate(("drive", "pack"))
    ]
    assert len({(s.kind, s.channel, s.options.get("port")) for s in specs}) == 4


def test_the_manual_listens_where_the_demo_is_played() -> None:
    """Its two terminals are run by nobody, so the address on the page is held against ours."""
    page = (Path(busplan.manual.__file__).parent / "pages" / "tutorial-bench.md").read_text("utf-8")
    told = re.findall(r"-i (charge=udp_multicast\S+)", page)
    assert len(told) == 2
    networks = list(load_plan(PLANS / "as_built.toml").networks)
    played = software_spec("charge", "udp_multicast", networks.index("charge"))
    for text in told:
        assert parse_interface(text) == played
