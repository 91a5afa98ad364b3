"""What a recorded frame can be: its flag bits and its lengths. Imports nothing."""

EXTENDED = 0x01
"""29-bit identifier."""
FD = 0x02
"""CAN FD frame."""
BRS = 0x04
"""CAN FD frame with bit-rate switch."""
ESI = 0x08
"""CAN FD frame from an error-passive sender."""
REMOTE = 0x10
"""Remote frame: no payload, ``length`` is the length asked for."""
ERROR = 0x20
"""Error frame as the interface reported it; the identifier holds its error class bits."""
SENT = 0x40
"""Recorded as sent by the recording device itself."""

FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Payload bytes of a CAN FD frame by DLC (ISO 11898-1)."""
