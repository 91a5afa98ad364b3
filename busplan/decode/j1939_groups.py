"""Parameter groups that belong to the protocol itself: who a node is, and what ails it.

Layouts, all from memory: NAME and address claim (SAE J1939-81), requests and acknowledgments (SAE
J1939-21), active and earlier faults (SAE J1939-73), identification in text (SAE J1939-71).
"""

from __future__ import annotations

from dataclasses import dataclass

from busplan.definitions.j1939 import NULL_ADDRESS

REQUEST = 59904
ADDRESS_CLAIMED = 60928
ACKNOWLEDGMENT = 59392
COMMANDED_ADDRESS = 65240
ACTIVE_FAULTS = 65226
EARLIER_FAULTS = 65227
SOFTWARE = 65242
COMPONENT = 65259
VEHICLE_IDENTIFICATION = 65260
ECU = 64965

OWN_GROUPS = {
    ACKNOWLEDGMENT: "acknowledgment",
    REQUEST: "request",
    ADDRESS_CLAIMED: "address claimed",
    COMMANDED_ADDRESS: "commanded address",
    ACTIVE_FAULTS: "active faults (DM1)",
    EARLIER_FAULTS: "earlier faults (DM2)",
    SOFTWARE: "software identification",
    COMPONENT: "component identification",
    VEHICLE_IDENTIFICATION: "vehicle identification",
    ECU: "ECU identification",
}
"""Group number → what it carries, for groups that any node may send without being defined."""

_FIELDS = {
    SOFTWARE: ("software",),
    COMPONENT: ("make", "model", "serial number", "unit number"),
    VEHICLE_IDENTIFICATION: ("vehicle identification number",),
    ECU: ("part number", "serial number", "location", "type", "manufacturer"),
}
GROUPS = {OWN_GROUPS[number]: number for number in _FIELDS}
"""Groups of identification by name → number."""
NOT_TOLD = b"\xff" * 4
"""Four bytes of a fault that are padding, or in the first place "not available"."""
LAMPS = ("malfunction", "red stop", "amber warning", "protect")
"""Lamps of a fault message, from its highest bits down."""
MOST_TEXT = 200
"""Characters of a field that are kept."""


@dataclass(frozen=True, slots=True)
class Name:
    """The 64 bits by which a node claims its address (SAE J1939-81)."""

    identity: int
    manufacturer: int
    ecu_instance: int
    function_instance: int
    function: int
    vehicle_system: int
    vehicle_system_instance: int
    industry_group: int
    arbitrary_address: bool

    @property
    def words(self) -> str:
        """All fields, for people."""
        capable = "can" if self.arbitrary_address else "cannot"
        return (
            f"manufacturer code {self.manufacturer}, identity {self.identity}, "
            f"function {self.function} (instance {self.function_instance}, ECU "
            f"{self.ecu_instance}), vehicle system {self.vehicle_system} (instance "
            f"{self.vehicle_system_instance}), industry group {self.industry_group}, {capable} "
            "choose another address"
        )


def parse_name(data: bytes) -> Name | None:
    """The NAME that an address claim of eight bytes carries; ``None`` for any other length."""
    if len(data) != 8:
        return None
    bits = int.from_bytes(data, "little")

    def field(start: int, length: int) -> int:
        return bits >> start & (1 << length) - 1

    return Name(
        identity=field(0, 21),
        manufacturer=field(21, 11),
        ecu_instance=field(32, 3),
        function_instance=field(35, 5),
        function=field(40, 8),
        vehicle_system=field(49, 7),
        vehicle_system_instance=field(56, 4),
        industry_group=field(60, 3),
        arbitrary_address=bool(field(63, 1)),
    )


def claims(source: int) -> bool:
    """Whether a claim from this address takes it; from the null address it says "cannot claim"."""
    return source != NULL_ADDRESS


@dataclass(frozen=True, slots=True)
class Trouble:
    """One fault a node tells of: suspect parameter, failure mode, how often it came."""

    spn: int
    fmi: int
    count: int | None

    def __str__(self) -> str:
        often = "" if self.count is None else f" (came {self.count} times)"
        return f"SPN {self.spn} FMI {self.fmi}{often}"


@dataclass(frozen=True, slots=True)
class FaultMessage:
    """Lamps that are on, and the faults told.

    ``filled``: the place of the first fault is all ones where zeros say "none", and none follows.
    """

    lamps: tuple[str, ...]
    troubles: tuple[Trouble, ...]
    filled: bool = False


def parse_faults(data: bytes) -> FaultMessage | None:
    """A message of active or earlier faults; ``None`` when it is too short for one fault.

    Two bytes of lamps, then four bytes a fault, the last of them padded with ones. A fault of all
    zeros says that there is none, one of all ones nothing.
    """
    if len(data) < 6:
        return None
    lamps = tuple(name for i, name in enumerate(LAMPS) if data[0] >> (6 - 2 * i) & 3 == 1)
    troubles = []
    for at in range(2, len(data) - 3, 4):
        code = data[at : at + 4]
        spn = code[0] | code[1] << 8 | (code[2] >> 5) << 16
        fmi, count = code[2] & 0x1F, code[3] & 0x7F
        if (spn, fmi) != (0, 0) and code != NOT_TOLD:
            troubles.append(Trouble(spn, fmi, None if count == 127 else count))
    return FaultMessage(lamps, tuple(troubles), data[2:6] == NOT_TOLD and not troubles)


def identification(pgn: int, data: bytes) -> tuple[tuple[str, str], ...]:
    """What an identification message tells, as (name, text); empty for any other group.

    Fields end with ``*``. A software identification begins with how many fields it has.
    """
    names = _FIELDS.get(pgn)
    if names is None:
        return ()
    body = data[1:] if pgn == SOFTWARE else data
    # What comes after the last delimiter is padding.
    fields = body.split(b"*")[:-1] if b"*" in body else [body.rstrip(b"\xff\x00")]
    told = []
    for i, field in enumerate(fields):
        text = field.decode("latin-1").strip("\x00 \xff")[:MOST_TEXT]
        if text:
            name = names[min(i, len(names) - 1)]
            told.append((name if i < len(names) else f"{name} ({i + 1})", text))
    return tuple(told)
