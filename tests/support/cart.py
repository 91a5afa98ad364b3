"""A plan of one node that sends one message, as texts of files."""

PLAN = """
[vehicle]
name = "Test cart"
[network.a]
bit_rate = 500_000
channels = ["can0"]
[part.wheel]
maker = "nobody"
definitions = "wheel.dbc"
sender = "WHEEL"
[node.wheel]
part = "wheel"
on = ["a"]
"""
DBC = """VERSION ""
BU_: WHEEL
BO_ 16 Wheel: 2 WHEEL
 SG_ Speed : 0|16@1+ (0.1,-5) [0|0] "m/s" Vector__XXX
"""
"""Stands in ``wheel.dbc`` beside the plan."""
