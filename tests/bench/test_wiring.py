"""The first-aid table against the figures of ISO 11898-2."""

import re

from busplan.bench.wiring import STEPS


def figures(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"[0-9]+(?:\.[0-9]+)?", text)]


def parallel(*ohms: float) -> float:
    return 1 / sum(1 / r for r in ohms)


def test_the_resistance_is_that_of_two_terminators() -> None:
    """Terminators: 100 to 130 Ω, nominal 120 Ω (ISO 11898-2, read in a board manual's extract)."""
    assert figures(STEPS[0].expect) == [
        parallel(120, 120),
        parallel(100, 100),
        parallel(130, 130),
    ]
    assert figures(STEPS[0].otherwise)[:2] == [120, parallel(120, 120, 120)]


def test_the_idle_levels_are_the_recessive_ones() -> None:
    """Recessive: 2.0 to 3.0 V, nominal 2.5 V, at most 50 mV apart (ISO 11898-2, from memory)."""
    assert figures(STEPS[2].expect) == [2.5, 2.0, 3.0, 0.05]


def test_swapped_lines_are_told_by_the_side_of_the_idle_level() -> None:
    """Dominant drives CAN-H to about 3.5 V and CAN-L to about 1.5 V (ISO 11898-2, from memory)."""
    assert STEPS[3].expect == "CAN-H a little above 2.5 V, CAN-L a little below"
    assert "swapped" in STEPS[3].otherwise
