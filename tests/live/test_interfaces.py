"""Interfaces: how they are written, opened, told to keep silent, and refused."""

import inspect
import random
import sys
from collections.abc import Iterator
from importlib import import_module

import can
import pytest
from can.interfaces import BACKENDS

from busplan.errors import InterfaceError, UsageError
from busplan.live.interface_spec import SILENT_OPTIONS, parse_interface, parse_single_interface
from busplan.live.interfaces import open_receiver, open_sender


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("can0", "NETWORK=KIND:CHANNEL"),
        ("drive=can0", "NETWORK=KIND:CHANNEL"),
        ("drive=:can0", "NETWORK=KIND:CHANNEL"),
        ("drive=virtual:a,b", "not KEY=VALUE"),
        ("the drive=virtual:a", "no blanks"),
    ],
)
def test_a_wrongly_written_interface_says_how_to_write_it(text: str, problem: str) -> None:
    with pytest.raises(UsageError, match=problem):
        parse_interface(text)


def test_interface_options_are_read_as_numbers_and_switches() -> None:
    spec = parse_interface("drive=slcan:/dev/ttyACM0,ttyBaudrate=115200,rtscts=true,note=a")
    assert spec.channel == "/dev/ttyACM0"
    assert spec.options == {"ttyBaudrate": 115200, "rtscts": True, "note": "a"}


def test_an_unknown_interface_kind_lists_the_known_ones() -> None:
    with pytest.raises(InterfaceError, match=r"known: .*socketcan.*virtual"):
        open_receiver(parse_interface("drive=nosuch:1"))


def test_a_receiver_has_no_way_to_send() -> None:
    receiver = open_receiver(parse_interface("drive=virtual:listen-only-test"))
    assert not [name for name in dir(receiver) if "send" in name]
    receiver.close()
    sender = open_sender(parse_interface("drive=virtual:listen-only-test"))
    sender.send(can.Message(arbitration_id=1))
    sender.close()


ELSEWHERE = sorted(set(BACKENDS) - {"virtual", "udp_multicast"})
"""Kinds that need a device, which no test machine has under these names."""


@pytest.mark.parametrize("kind", ELSEWHERE)
def test_every_kind_without_its_device_is_one_line_that_says_what_to_do(
    kind: str, capfd: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(InterfaceError) as caught:
        open_receiver(parse_interface(f"drive={kind}:no-such-device-7"))
    words = str(caught.value)
    assert words.startswith(f"drive={kind}:no-such-device-7: cannot be opened: ")
    assert "\n" not in words
    assert ".." not in words
    assert words.endswith((".", "?", "on"))
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("kind", sorted(SILENT_OPTIONS))
def test_the_option_for_silence_is_one_the_interface_reads(kind: str) -> None:
    """Held against python-can itself: an option it does not read would be passed over unseen."""
    module, name = BACKENDS[kind]
    source = inspect.getsource(getattr(import_module(module), name))
    for option in SILENT_OPTIONS[kind]:
        assert f'"{option}"' in source or f"{option}:" in source or f"{option}=" in source


def test_an_option_that_switches_silence_off_is_not_called_listen_only() -> None:
    loud = parse_interface("drive=slcan:/dev/ttyACM0,listen_only=false")
    assert loud.overrides_silence
    assert not parse_interface("drive=slcan:/dev/ttyACM0,listen_only=true").overrides_silence
    assert not parse_interface("drive=slcan:/dev/ttyACM0").overrides_silence


@pytest.mark.skipif(sys.platform != "linux", reason="other systems keep groups apart anyway")
def test_two_groups_on_one_port_are_two_buses() -> None:
    port = random.randint(20_000, 60_000)
    mine, other = (
        open_receiver(parse_interface(f"a=udp_multicast:239.74.163.{n},port={port},hop_limit=0"))
        for n in (4, 5)
    )
    sender = open_sender(parse_interface(f"a=udp_multicast:239.74.163.4,port={port},hop_limit=0"))
    try:
        sender.send(can.Message(arbitration_id=0x123, is_extended_id=False))
        message = mine.receive(2.0)
        assert message is not None
        assert message.arbitration_id == 0x123
        assert other.receive(0.1) is None
    finally:
        for bus in (sender, mine, other):
            bus.close()


@pytest.fixture
def vcan() -> Iterator[str]:
    """A virtual CAN link of the kernel, where one can be made."""
    import shutil
    import subprocess

    name = "vcan_busplan"
    if shutil.which("ip") is None:
        pytest.skip("no ip command to make a virtual CAN link with")
    made = subprocess.run(
        ["ip", "link", "add", "dev", name, "type", "vcan"], capture_output=True, text=True
    )
    if made.returncode:
        pytest.skip(f"no virtual CAN link can be made here: {made.stderr.strip()}")
    subprocess.run(["ip", "link", "set", name, "up"], check=True)
    yield name
    subprocess.run(["ip", "link", "delete", name], check=True)


def test_the_kernels_virtual_link_carries_frames_that_count_as_received(vcan: str) -> None:
    spec = parse_interface(f"drive=socketcan:{vcan}")
    receiver = open_receiver(spec)
    sender = open_sender(spec)
    try:
        sender.send(can.Message(arbitration_id=0x18FEF1E5, data=b"\x01\x02"))
        message = receiver.receive(2.0)
    finally:
        sender.close()
        receiver.close()
    assert message is not None
    assert (message.arbitration_id, bytes(message.data)) == (0x18FEF1E5, b"\x01\x02")
    assert message.is_rx


def test_the_interface_of_one_node_may_name_its_network_but_no_other() -> None:
    plain = parse_single_interface("virtual:a", "charge")
    assert parse_single_interface("charge=virtual:a", "charge") == plain
    assert (plain.network, plain.kind, plain.channel) == ("charge", "virtual", "a")
    assert parse_single_interface("virtual:a,port=43113").options == {"port": 43113}
    with pytest.raises(UsageError, match="is of drive; the node is on charge"):
        parse_single_interface("drive=virtual:a", "charge")


@pytest.mark.parametrize(
    ("text", "kind", "channel"),
    [
        (r"slcan:\\.\COM12", "slcan", r"\\.\COM12"),
        ("slcan:COM3@115200", "slcan", "COM3@115200"),
        (r"serial:C:\pipes\bus,bitrate=250000", "serial", r"C:\pipes\bus"),
    ],
)
def test_a_channel_may_be_a_port_or_a_path_of_windows(text: str, kind: str, channel: str) -> None:
    for spec in (parse_single_interface(text, "drive"), parse_interface(f"drive={text}")):
        assert (spec.network, spec.kind, spec.channel) == ("drive", kind, channel)
        assert spec.written == f"drive={text}"
