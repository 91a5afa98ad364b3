"""The live bus: opening interfaces, recording, watching. Nothing here transmits by itself.

The rules of this room:

* One thread an interface only collects; one loop writes ten times a second through ``log_writer``:
  append-only, whole lines, short writes continued where they stopped. The log holds frames only;
  gaps, drops, stalls, clock jumps and a full disk go into the journal beside it, which also makes
  findings of them.
* What may be asked of a node is in ``questions``, the asking in ``asking``.
* A receive buffer of 4 MB is asked for: with the system's default frames are lost in the sockets.
  A UDP receiver cannot count what its socket dropped.
* ``busplan live`` is the replay screens on what ``rolling`` holds: a worker makes a fresh
  ``Replay`` of the last minutes twice a second, and ``LiveClock`` makes its end the present.
"""
