"""What is measured on recorded traffic: loads, cycle times, and what no definition tells.

The rules of this room: loads are exact bits over time, in bins of 0.1 s as running sums;
``fields`` guesses from how bits move (any width, both byte orders) and is held against the
definitions of the demo's captures; ``pages`` keeps what multiplexed messages carry apart.
"""
