"""Opening bus interfaces.

The rules of this file: whoever wants to listen gets a :class:`Receiver`, which cannot send. Only
:func:`open_sender` gives something that transmits, and only for commands whose user said so.
Where the hardware can keep silent (no acknowledge bits, no error flags) it is told to.
"""

from __future__ import annotations

import errno
import sys
from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Protocol

from busplan.errors import InterfaceError, UsageError
from busplan.live.interface_spec import SILENT_OPTIONS, SOFTWARE_BUSES, InterfaceSpec

if TYPE_CHECKING:
    import can

IP_MULTICAST_ALL = 49
"""Option of ``include/uapi/linux/in.h`` that Python does not name."""
RECEIVE_BUFFER = 4 * 1024 * 1024
"""Bytes asked for where frames wait in a socket until they are read."""


LISTEN_ONLY = "listen-only"
"""How an interface that gives no acknowledge bits is called."""


class Hears(Protocol):
    """What a recording reads from; :class:`Receiver`, or a line that is also sent through."""

    @property
    def silence(self) -> str:
        """In words: whether the controller also keeps from acknowledging."""

    def receive(self, timeout_s: float) -> can.Message | None:
        """The next frame, ``None`` after ``timeout_s``; :class:`InterfaceError` on failure."""

    def close(self) -> None:
        """Close the interface."""


class Receiver:
    """An open interface that can only listen."""

    def __init__(self, spec: InterfaceSpec, bus: can.BusABC, silence: str) -> None:
        self.spec = spec
        self.silence = silence
        """In words: whether the controller also keeps from acknowledging."""
        self._bus = bus

    def receive(self, timeout_s: float) -> can.Message | None:
        """The next frame, ``None`` after ``timeout_s``; :class:`InterfaceError` on failure."""
        return _receive(self.spec, self._bus, timeout_s)

    def close(self) -> None:
        """Close the interface; a failure while closing changes nothing and is not raised."""
        _close(self._bus)


class Sender:
    """An open interface that transmits, and hears answers. Made only on the user's demand.

    It does both, because many adapters can be opened once only.
    """

    def __init__(self, spec: InterfaceSpec, bus: can.BusABC) -> None:
        self.spec = spec
        self._bus = bus

    def send(self, message: can.Message) -> None:
        """Put one frame on the bus; :class:`InterfaceError` when the interface refuses it."""
        try:
            self._bus.send(message)
        except Exception as error:  # as in _receive
            raise InterfaceError(f"{self.spec}: sending failed: {_reason(error)}") from error

    def receive(self, timeout_s: float) -> can.Message | None:
        """As :meth:`Receiver.receive`."""
        return _receive(self.spec, self._bus, timeout_s)

    def close(self) -> None:
        """Close the interface."""
        _close(self._bus)


def _receive(spec: InterfaceSpec, bus: can.BusABC, timeout_s: float) -> can.Message | None:
    """The next frame.

    Drivers of other makers raise what they like when an adapter goes; all of it means that nothing
    can be read, and a thread that died of it would lose frames unseen.
    """
    try:
        message = bus.recv(timeout_s)
    except Exception as error:
        raise InterfaceError(f"{spec}: reading failed: {_reason(error)}") from error
    if message is not None and spec.is_virtual_link:
        # The kernel marks what any program on this computer sends as sent by ourselves.
        message.is_rx = True
    return message


def _reason(error: Exception) -> str:
    """What went wrong, in the driver's words; its type where it has none."""
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__


def _close(bus: can.BusABC) -> None:
    import contextlib

    with contextlib.suppress(Exception):
        bus.shutdown()


def open_acknowledging(spec: InterfaceSpec) -> Receiver:
    """As :func:`open_receiver`, but in the controller's normal mode: it acknowledges frames.

    It still cannot send a frame. For one node on a bench whose tester said so.
    """
    bus = _open(spec, {})
    _prepare_socket(bus)
    if spec.kind in SOFTWARE_BUSES or spec.is_virtual_link:
        return Receiver(spec, bus, "software bus, nothing to acknowledge")
    if spec.kind == "socketcan":
        words = "never sends; acknowledges, as told, unless the link itself is set to listen-only"
    else:
        words = "never sends; acknowledges, as told"
    return Receiver(spec, bus, words)


def open_receiver(spec: InterfaceSpec) -> Receiver:
    """Open an interface for listening, silently where the hardware can.

    Raises :class:`InterfaceError` with the reason and what to look at.
    """
    silent = dict(SILENT_OPTIONS.get(spec.kind, {}))
    bus = _open(spec, silent)
    _prepare_socket(bus)
    if spec.kind in SOFTWARE_BUSES or spec.is_virtual_link:
        words = "software bus, nothing to acknowledge"
    elif silent and not spec.overrides_silence:
        words = LISTEN_ONLY
    elif silent:
        words = "never sends; acknowledges, as its options say"
    elif spec.kind == "socketcan":
        words = "never sends; acknowledges unless the link itself is set to listen-only"
    else:
        words = "never sends; this kind of interface cannot be told to keep from acknowledging"
    return Receiver(spec, bus, words)


def _prepare_socket(bus: can.BusABC) -> None:
    """Ask for a large receive buffer where a socket stands behind the interface.

    The system's own limit holds; a usual default is full after less than a tenth of a second of a
    busy network. Buses without a socket are left as they are. Linux gives a multicast socket the
    datagrams of every group that anybody on the computer has joined, unless told not to: then
    groups keep demo buses apart.
    """
    import contextlib
    import socket

    # Anything an interface does in place of giving its socket leaves it as it is.
    with (
        contextlib.suppress(Exception),
        socket.fromfd(bus.fileno(), socket.AF_INET, socket.SOCK_DGRAM) as behind,
    ):
        behind.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
        if sys.platform == "linux":
            behind.setsockopt(socket.IPPROTO_IP, IP_MULTICAST_ALL, 0)


def open_sender(spec: InterfaceSpec) -> Sender:
    """Open an interface for transmitting. The caller answers for the user's explicit consent."""
    return Sender(spec, _open(spec, {}))


def _open(spec: InterfaceSpec, extra: Mapping[str, Any]) -> can.BusABC:
    import logging

    import can

    # Drivers that are not there are grumbled about on stderr; the error says it once, in full.
    log = logging.getLogger("can")
    if not log.handlers:
        log.addHandler(logging.NullHandler())
    options = {**extra, **spec.options}
    if isinstance(state := options.get("state"), str):
        if state.upper() not in can.BusState.__members__:
            raise UsageError(f"{spec}: no bus state {state!r}; there is ACTIVE and PASSIVE")
        options["state"] = can.BusState[state.upper()]
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
    except Exception as error:  # drivers of other makers raise what they like
        raise InterfaceError(
            f"{spec}: cannot be opened: {_reason(error)}. {_advice(spec, error)}"
        ) from error


_ADVICE_BY_ERRNO: Mapping[int, str] = MappingProxyType(
    {
        errno.EAFNOSUPPORT: "This system has no CAN in its kernel; on Linux: modprobe can_raw.",
        errno.ENODEV: "There is no such link or device: ip link shows the links there are.",
        errno.ENOENT: "There is no such device: is it plugged in?",
        errno.ENETDOWN: "The link is down: ip link set {channel} up type can bitrate {bit_rate} "
        "listen-only on",
        errno.EACCES: "You may not use it: join the group that owns the device, or ask who may.",
        errno.EPERM: "You may not use it: join the group that owns the device, or ask who may.",
        errno.EBUSY: "Another program uses it.",
    }
)
_EXTRAS: Mapping[str, str] = MappingProxyType({"slcan": "serial", "robotell": "serial"})
"""Kinds whose optional packages python-can groups under another name than theirs."""


def _advice(spec: InterfaceSpec, error: Exception) -> str:
    """What to do about an interface that does not open."""
    import can

    code = getattr(error, "errno", None) or getattr(error, "error_code", None)
    if isinstance(code, int) and code in _ADVICE_BY_ERRNO:
        return _ADVICE_BY_ERRNO[code].format(
            channel=spec.channel, bit_rate=spec.bit_rate or "BIT_RATE"
        )
    if isinstance(error, TypeError):
        return "Its own options are given as KIND:CHANNEL,KEY=VALUE."
    if isinstance(error, (ImportError, can.CanInterfaceNotImplementedError)):
        from importlib.metadata import metadata

        extra = _EXTRAS.get(spec.kind, spec.kind.replace("_", "-"))
        if extra in (metadata("python-can").get_all("Provides-Extra") or ()):
            return f'What it needs besides the driver: pip install "python-can[{extra}]".'
        return "Its driver for this system is missing: install the one of the adapter's maker."
    if spec.kind == "udp_multicast":
        return "CHANNEL is a multicast group, for example 239.74.163.2."
    return "Is its driver installed, is it plugged in, up, and not in use?"
