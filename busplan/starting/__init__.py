"""From a folder of parts to a first plan: what a definition, a table and a capture give away.

The rules of this room: pure functions from definitions and recorded frames to a proposal. What no
file states is marked: *seen* with the evidence, *guess* with its reason, *gap* with what to measure
or ask. A guess is never firmer than what it rests on, and a proposal is a plan that loads. Files
are found and written by the command.
"""
