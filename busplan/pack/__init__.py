"""Cells, modules and sensors of the traction pack, and the judgement a technician signs.

One way through: ``pull`` (frames and layout) → ``series`` → ``report.evaluate_pack`` → a report in
one frozen value → ``sections`` (sentences) and ``tables`` (rows).

The rules of this room:

* A value is judged with its step: rounding to 0.5 or 1 °C or 1 mV is part of every uncertainty,
  and no scatter is taken to be smaller than it.
* An accusation must pass twice: beyond the scatter of the peers by the gate for their number
  (``statistics``), and by an amount that matters (a share of a limit, a stated practice).
* A culprit is named once. What one judgement has named is left out of the spread of the others.
* A test that could not have shown a fault says so, and what it would need. It never says "good".
* A healthy pack gives no finding at all, not even a note.
"""
