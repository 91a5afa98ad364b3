"""Which interface listens to which network, as the user writes it: ``NETWORK=KIND:CHANNEL``.

The rules of this file: values only; nothing is opened here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from busplan.errors import UsageError
from busplan.plan.problems import suggestion

if TYPE_CHECKING:
    from busplan.plan.vehicle import Vehicle

SILENT_OPTIONS: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        "slcan": {"listen_only": True},
        "vector": {"listen_only": True},
        "nixnet": {"listen_only": True},
        "cantact": {"monitor": True},
        "kvaser": {"driver_mode": False},
        "pcan": {"state": "PASSIVE"},
        "systec": {"state": "PASSIVE"},
        "seeedstudio": {"operation_mode": "silent"},
    }
)
"""How python-can asks each interface kind to listen only."""

SOFTWARE_BUSES = frozenset({"virtual", "udp_multicast"})
"""Buses without hardware: there is nothing to acknowledge."""


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
    def overrides_silence(self) -> bool:
        """Whether the user's own options switch off what makes this kind listen only."""
        silent = SILENT_OPTIONS.get(self.kind, {})
        return any(key in self.options and self.options[key] != silent[key] for key in silent)

    @property
    def is_virtual_link(self) -> bool:
        """Whether this is one of Linux's virtual CAN links, by its usual name."""
        return self.kind == "socketcan" and self.channel.startswith("vcan")

    @property
    def place(self) -> str:
        """The interface with its options, as the command line takes it, without the network."""
        return ",".join(
            [f"{self.kind}:{self.channel}", *(f"{k}={v}" for k, v in self.options.items())]
        )

    @property
    def written(self) -> str:
        """The interface as the command line takes it, options included."""
        return f"{self.network}={self.place}"


def parse_interface(text: str) -> InterfaceSpec:
    """Read ``NETWORK=KIND:CHANNEL[,KEY=VALUE…]``; else :class:`UsageError`."""
    network, equals, rest = text.partition("=")
    address, *extras = rest.split(",")
    kind, colon, channel = address.partition(":")
    if not (equals and colon and network and kind and channel):
        raise UsageError(
            f"interface {text!r}: write NETWORK=KIND:CHANNEL, for example drive=socketcan:can0"
        )
    if len(network.split()) != 1:
        raise UsageError(f"interface {text!r}: a network's name holds no blanks")
    options: dict[str, Any] = {}
    for extra in extras:
        key, equals, value = extra.partition("=")
        if not equals or not key:
            raise UsageError(f"interface {text!r}: option {extra!r} is not KEY=VALUE")
        options[key.strip()] = _value(value.strip())
    return InterfaceSpec(network.strip(), kind.strip(), channel.strip(), options)


def parse_single_interface(text: str, network: str | None = None) -> InterfaceSpec:
    """Read ``KIND:CHANNEL[,KEY=VALUE…]`` of one network; else :class:`UsageError`.

    The network may stand before it as in :func:`parse_interface`, but no other than ``network``.
    """
    named, equals, _ = text.partition(":")[0].partition("=")
    if not equals:
        return parse_interface(f"{network or 'bench'}={text}")
    if network is not None and named.strip() != network:
        raise UsageError(f"interface {text!r} is of {named.strip()}; the node is on {network}")
    return parse_interface(text)


def _value(text: str) -> bool | int | float | str:
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    for convert in (lambda t: int(t, 0), float):
        try:
            return convert(text)
        except ValueError:
            continue
    return text


def interface_specs(texts: Iterable[str], vehicle: Vehicle | None = None) -> list[InterfaceSpec]:
    """Interfaces as written, with the bit rates of the vehicle's networks.

    Raises :class:`UsageError` for a network the vehicle does not have, and for a network or an
    interface that is named twice.
    """
    specs = [parse_interface(text) for text in texts]
    names = [s.network for s in specs]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise UsageError(f"network {twice[0]} has two interfaces; one listens for each network")
    places: dict[str, str] = {}
    for spec in specs:
        other = places.setdefault(spec.place, spec.network)
        if other != spec.network:
            raise UsageError(
                f"{other} and {spec.network} name the same interface {spec.place}; every network "
                "has one of its own"
            )
    return specs if vehicle is None else [at_bit_rates(s, vehicle) for s in specs]


def at_bit_rates(spec: InterfaceSpec, vehicle: Vehicle) -> InterfaceSpec:
    """The interface with its network's bit rates; :class:`UsageError` for an unknown network."""
    network = vehicle.networks.get(spec.network)
    if network is None:
        raise UsageError(
            f"interface {spec}: {vehicle.source} has no network {spec.network!r}"
            f"{suggestion(spec.network, vehicle.networks, 'network')}"
        )
    return replace(spec, bit_rate=network.bit_rate, data_bit_rate=network.data_bit_rate)
