"""The model behind the replay screens: what a vehicle's networks say at one moment of a capture.

The rules of this room: pure values and numpy; a moment is an integer of nanoseconds since the first
frame of the capture; any moment costs the same, so that seeking is immediate. The screens and their
text and JSON twins show what this room computes and compute nothing themselves.
"""
