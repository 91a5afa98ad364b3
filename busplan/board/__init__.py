"""Boards of one's own: what is shown, which limits hold, what is in the red, at any moment.

The rules of this room:

* A limit belongs to a signal, never to a tile: all limits of a file are judged whatever is shown,
  by the times of frames and never by when a screen was drawn. Live, replay and recording therefore
  tell the same alarms (``latch`` is fed in pieces or at once, with one result).
* The pack's limits come from the plan and are not repeated in a board's file.
* Missing values are never in range; what the pack's judgement has set aside drives nothing.
* A board's file is ours: ``spec`` says what it may hold, ``resolve`` joins it with a vehicle,
  ``edit`` changes it and keeps its comments. One grid of twelve by twelve serves every size.
"""
