"""Answers of diagnostic services: what a positive one identifies, why a negative one refuses.

Service and identifier numbers follow ISO 14229-1, from memory: a positive answer begins with the
service plus 0x40, a negative one with 0x7F, the service and a reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

NEGATIVE = 0x7F
PENDING = 0x78
"""Reason "request received, answer will follow": no answer yet."""
READ_BY_IDENTIFIER = 0x22

REASONS: Mapping[int, str] = MappingProxyType(
    {
        0x10: "general reject",
        0x11: "service not supported",
        0x12: "sub-function not supported",
        0x13: "wrong length or format",
        0x14: "response too long",
        0x21: "busy, repeat the request",
        0x22: "conditions not correct",
        0x24: "request sequence error",
        0x25: "no response from a part behind it",
        0x31: "request out of range",
        0x33: "security access denied",
        0x35: "invalid key",
        0x36: "too many attempts",
        0x37: "time delay not over",
        0x72: "general programming failure",
        0x7E: "sub-function not supported in this session",
        0x7F: "service not supported in this session",
    }
)
"""Reason byte of a negative answer → its meaning."""

IDENTIFIERS: Mapping[int, str] = MappingProxyType(
    {
        0xF180: "boot software",
        0xF181: "application software",
        0xF182: "application data",
        0xF187: "maker's spare part number",
        0xF188: "software number",
        0xF189: "software version",
        0xF18A: "supplier",
        0xF18B: "manufacturing date",
        0xF18C: "serial number",
        0xF190: "vehicle identification number",
        0xF191: "hardware number",
        0xF192: "supplier's hardware number",
        0xF193: "supplier's hardware version",
        0xF194: "supplier's software number",
        0xF195: "supplier's software version",
        0xF197: "system name",
    }
)
"""Data identifiers that say what a node is."""


def refusal(service: int, data: bytes) -> str | None:
    """Why an answer of ``data`` (protocol bytes left out) refuses the ``service``; else ``None``.

    A pending answer refuses nothing.
    """
    if len(data) < 3 or data[0] != NEGATIVE or data[1] != service or data[2] == PENDING:
        return None
    reason = REASONS.get(data[2], "reason unknown")
    return f"{reason} (0x{data[2]:02X})"


def pending(service: int, data: bytes) -> bool:
    """Whether an answer only says that the real one will follow."""
    return len(data) >= 3 and data[:3] == bytes((NEGATIVE, service, PENDING))


def positive(service: int, data: bytes) -> bool:
    """Whether an answer grants the service."""
    return len(data) >= 1 and data[0] == service + 0x40


def data_told(data: bytes) -> tuple[int, bytes] | None:
    """Identifier and content of a positive answer to "read data by identifier"; else ``None``.

    An answer for several identifiers at once is taken as one content: their lengths are not told.
    """
    if len(data) < 4 or data[0] != READ_BY_IDENTIFIER + 0x40:
        return None
    return data[1] << 8 | data[2], data[3:]


def data_name(number: int) -> str:
    """What a data identifier is called, with its number where the standard has no name."""
    return IDENTIFIERS.get(number, f"data 0x{number:04X}")


def content_text(content: bytes) -> str:
    """The content of an answer as text where all of it is printable, else as hexadecimal bytes."""
    plain = content.rstrip(b"\x00\xff ")
    if not plain or not all(0x20 <= b < 0x7F for b in plain):
        return content.hex(" ").upper()
    return plain.decode("latin-1")


def identification(data: bytes) -> tuple[str, str] | None:
    """What a positive answer to "read data by identifier" says: name and text; else ``None``.

    Text is shown as text where all of it is printable, else as hexadecimal bytes.
    """
    told = data_told(data)
    name = None if told is None else IDENTIFIERS.get(told[0])
    return None if told is None or name is None else (name, content_text(told[1]))
