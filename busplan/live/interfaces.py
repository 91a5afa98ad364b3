"""Opening bus interfaces.

The rules of this file: whoever wants to listen gets a :class:`Receiver`, which cannot send. Only
:func:`open_sender` gives something that transmits, and only for commands whose user said so.
Where the hardware can keep silent (no acknowledge bits, no error flags) it is told to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from busplan.errors import InterfaceError, UsageError

if TYPE_CHECKING:
    import can

SILENT_OPTIONS: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        "slcan": {"listen_only": True},
        "vector": {"listen_only": True},
        "nixnet": {"listen_only": True},
        "cantact": {"monitor": True},
        "kvaser": {"driver_mode": False},
        "pcan": {"state": "PASSIVE"},
        "systec": {"state": "PASSIVE"},
    }
)
"""How python-can asks each interface kind to listen only."""

SOFTWARE_BUSES = frozenset({"virtual", "udp_multicast"})
"""Buses without hardware: there is nothing to acknowledge."""


RECEIVE_BUFFER = 4 * 1024 * 1024
"""Bytes asked for where frames wait in a socket until they are read."""


@dataclass(frozen=True, slots=True)
class InterfaceSpec:
    """Which interface listens to which network.

    Written ``NETWORK=KIND:CHANNEL`` with further ``,KEY=VALUE`` for the interface's own options.
    """

    network: str
    kind: str
    channel: str
    options: Mapping[str, Any] = field(default_factory=dict)
    bit_rate: int | None = None
    data_bit_rate: int | None = None

    def __str__(self) -> str:
        return f"{self.network}={self.kind}:{self.channel}"

    @property
    def written(self) -> str:
        """The interface as the command line takes it, options included."""
        return ",".join([str(self), *(f"{k}={v}" for k, v in self.options.items())])


def parse_interface(text: str) -> InterfaceSpec:
    """Read ``NETWORK=KIND:CHANNEL[,KEY=VALUE…]``; else :class:`UsageError`."""
    network, equals, rest = text.partition("=")
    address, *extras = rest.split(",")
    kind, colon, channel = address.partition(":")
    if not (equals and colon and network and kind and channel):
        raise UsageError(
            f"interface {text!r}: write NETWORK=KIND:CHANNEL, for example drive=socketcan:can0"
        )
    options: dict[str, Any] = {}
    for extra in extras:
        key, equals, value = extra.partition("=")
        if not equals or not key:
            raise UsageError(f"interface {text!r}: option {extra!r} is not KEY=VALUE")
        options[key.strip()] = _value(value.strip())
    return InterfaceSpec(network.strip(), kind.strip(), channel.strip(), options)


def _value(text: str) -> bool | int | float | str:
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    for convert in (lambda t: int(t, 0), float):
        try:
            return convert(text)
        except ValueError:
            continue
    return text


class Receiver:
    """An open interface that can only listen."""

    def __init__(self, spec: InterfaceSpec, bus: can.BusABC, silence: str) -> None:
        self.spec = spec
        self.silence = silence
        """In words: whether the controller also keeps from acknowledging."""
        self._bus = bus

    def receive(self, timeout_s: float) -> can.Message | None:
        """The next frame, ``None`` after ``timeout_s``; :class:`InterfaceError` on failure."""
        import can

        try:
            return self._bus.recv(timeout_s)
        except (can.CanError, OSError, ValueError) as error:
            raise InterfaceError(f"{self.spec}: reading failed: {error}") from error

    def close(self) -> None:
        """Close the interface; a failure while closing changes nothing and is not raised."""
        _close(self._bus)


class Sender:
    """An open interface that transmits. Made only on the user's explicit demand."""

    def __init__(self, spec: InterfaceSpec, bus: can.BusABC) -> None:
        self.spec = spec
        self._bus = bus

    def send(self, message: can.Message) -> None:
        """Put one frame on the bus; :class:`InterfaceError` when the interface refuses it."""
        import can

        try:
            self._bus.send(message)
        except (can.CanError, OSError, ValueError) as error:
            raise InterfaceError(f"{self.spec}: sending failed: {error}") from error

    def close(self) -> None:
        """Close the interface."""
        _close(self._bus)


def _close(bus: can.BusABC) -> None:
    import contextlib

    with contextlib.suppress(Exception):
        bus.shutdown()


def open_receiver(spec: InterfaceSpec) -> Receiver:
    """Open an interface for listening, silently where the hardware can.

    Raises :class:`InterfaceError` with the reason and what to look at.
    """
    silent = dict(SILENT_OPTIONS.get(spec.kind, {}))
    bus = _open(spec, silent)
    _widen(bus)
    if spec.kind in SOFTWARE_BUSES:
        words = "software bus, nothing to acknowledge"
    elif silent:
        words = "listen-only"
    elif spec.kind == "socketcan":
        words = "never sends; acknowledges unless the link itself is set to listen-only"
    else:
        words = "never sends; this kind of interface cannot be told to keep from acknowledging"
    return Receiver(spec, bus, words)


def _widen(bus: can.BusABC) -> None:
    """Ask for a large receive buffer where a socket stands behind the interface.

    The system's own limit holds; a usual default is full after less than a tenth of a second of a
    busy network. Buses without a socket are left as they are.
    """
    import contextlib
    import socket

    # Anything an interface does in place of giving its socket leaves the buffer as it is.
    with (
        contextlib.suppress(Exception),
        socket.fromfd(bus.fileno(), socket.AF_INET, socket.SOCK_DGRAM) as behind,
    ):
        behind.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)


def open_sender(spec: InterfaceSpec) -> Sender:
    """Open an interface for transmitting. The caller answers for the user's explicit consent."""
    return Sender(spec, _open(spec, {}))


def _open(spec: InterfaceSpec, extra: Mapping[str, Any]) -> can.BusABC:
    import can

    options = {**extra, **spec.options}
    if isinstance(options.get("state"), str):
        options["state"] = can.BusState[options["state"].upper()]
    if spec.bit_rate is not None and spec.kind not in SOFTWARE_BUSES:
        options.setdefault("bitrate", spec.bit_rate)
    if spec.data_bit_rate is not None:
        options.setdefault("fd", True)
        if spec.kind not in SOFTWARE_BUSES:
            options.setdefault("data_bitrate", spec.data_bit_rate)
    known = sorted(can.VALID_INTERFACES)
    if spec.kind not in known:
        raise InterfaceError(f"{spec}: no interface kind {spec.kind!r}; known: {', '.join(known)}")
    try:
        return can.Bus(interface=spec.kind, channel=spec.channel, ignore_config=True, **options)
    except ImportError as error:
        raise InterfaceError(f"{spec}: the driver package is missing: {error}") from error
    except (can.CanError, OSError, ValueError, TypeError, NotImplementedError) as error:
        raise InterfaceError(
            f"{spec}: cannot be opened: {error}. Is it plugged in, up, and not in use?"
        ) from error
