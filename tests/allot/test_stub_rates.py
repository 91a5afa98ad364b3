"""Stubs of a J1939 network at a bit rate that is none of J1939's."""

from pathlib import Path

from support.command import busplan

PLAN = """
[network.charge]
bit_rate = 1_000_000
j1939 = true
cable.stubs_m = { a = 0.1, b = 0.2 }
[part.a]
bit_rates = [250_000]
message = [{ name = "A", identifier = 0x18FF1001, bytes = 8, cycle_ms = 100, j1939 = true }]
[part.b]
bit_rates = [250_000]
message = [{ name = "B", identifier = 0x18FF1102, bytes = 8, cycle_ms = 100, j1939 = true }]
[node.a]
part = "a"
on = ["charge"]
[node.b]
part = "b"
on = ["charge"]
"""


def test_a_rate_without_a_limit_of_all_stubs_is_taken_like_any_other(tmp_path: Path) -> None:
    """SAE J1939-11 limits each stub and not their sum; the table for other rates has a sum."""
    plan = tmp_path / "charge.toml"
    plan.write_text(PLAN, "utf-8")
    told = busplan("allot", plan, "--seconds", "10")
    assert "charge runs at 250 kbit/s instead of 1000" in told.out
    assert "Traceback" not in told.err
