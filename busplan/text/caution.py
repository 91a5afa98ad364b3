"""What everybody who works on a vehicle must know."""

CAUTION = (
    "High voltage can kill. Not a safety device: follow local codes, leave pack work to licensed "
    "people."
)
CAUTIONS = (
    CAUTION,
    "High voltage can kill. Not a safety device. Pack work: licensed people only.",
    "High voltage can kill. Not a safety device.",
    "High voltage can kill.",
)
"""The same from long to short: the first that fits is shown."""
