"""What must hold between signals over time, judged by a capture.

The meaning is signal temporal logic (O. Maler and D. Nickovic, "Monitoring temporal properties of
continuous signals", FORMATS 2004) over the values as they were received, with its robustness
(A. Donzé and O. Maler, "Robust satisfaction of temporal logic over real-valued signals", FORMATS
2010): how far a value lies on the right side of its bound, and by how many seconds a reaction was
in time. Over what was not heard the robustness is an interval, as in J. V. Deshmukh and others,
"Robust online monitoring of signal temporal logic" (2017): held when all of it lies at or above 0,
failed when all lies below, and not shown in between.

The one rule for rates, gaps and stale values:

* A value counts from the moment its frame came until the next one; nothing is put between them.
* It counts no longer than its message may be silent (``traffic/silence.py``), and not beyond a code
  for "not available"; from then on it is unknown. So is a state of such a name, unless the claim
  speaks of that very state.
* Networks keep their own rates: a moment of one is held against the newest values of the others,
  so a reaction is seen as exactly as the cycle times of its signals allow (``resolution_s``). What
  failed or held by less than that is told neither way: it failed only if it would have failed at
  every moment so near. Values are taken as they were sent, at the step of their signal.
* Nothing is judged before each signal has come once, if it comes within its allowed silence, and
  nothing after the last frame of the capture.

``signals`` makes steps of frames, ``steps`` and ``step_kernels`` calculate with them, ``formula``
gives a claim over time, ``looking`` finds the moments and spans of a part of a capture, ``tally``
counts part after part, ``judge`` makes the verdict of it, ``following`` does so live with the last
minutes' frames only, ``report`` holds what was found.
"""
