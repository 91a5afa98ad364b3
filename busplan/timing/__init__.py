"""When frames arrive: proven response times, and the simulation that must not beat them.

The rules of this room:

* ``fixed_point`` holds the equations over integers [ns], of queues by priority (Davis et al. 2007)
  and first-in-first-out (Davis et al. 2011). It imports nothing: it runs as it stands on lists,
  and compiled on arrays from ``response.COMPILED_FROM`` messages on. Its exact twin in fractions
  is ``tests/support/slow_timing.py``.
* The event is the moment that makes a node queue the frame; own jitter is part of the response.
  For a forwarded message it is the arrival at the gateway; the jitter it brings delays others.
* A first-in-first-out queue has one delay for all its messages; how long one of them may be held
  up (f_k) acts as jitter on everybody else, so a queue of long and rare beside short and frequent
  messages has pessimistic bounds.
* A message without a period delays each other message once; equal identifiers delay each other. A
  busy period of more than 10 s counts as endless, so nothing hangs.
* A message too long for one frame is its session (``sessions``): control, data and answer frames at
  identifiers of their own, one after the other. Its bound adds up the worst case of each of them
  and all gaps, after the sessions that its node sends before; for others its frames come at once,
  or one by one where a pace is stated, as long as the session may last.
* Messages that a node sends by one clock at stated offsets (``clocks``, ``rhythms``) count
  together, as the most that any window of that length can hold; what their node sends beside a
  message counts so too, whatever its own offset. Nothing is assumed between nodes, and queues first
  in, first out and sessions gain nothing.
* Growth, lowest bit rate and bus errors (``slack``) look at one network at a time; jitter from
  gateways stays at what the plan gives.
* A new rule of the simulation goes into the kernel, its slow twin (``tests/support/slow_bus.py``)
  and the docstring of ``simulation``. Random plans never beat the proven bounds; critical instants
  reach them within 2 ns, with bus errors within the 3 bits of the intermission each, except where
  the bound counts a frame queued less than one bit time after the message has started, and where
  first-in-first-out queues of several nodes delay each other.
* Not modelled: two senders of one identifier meeting on the wire (a caller that wants the
  destroyed frames adds faults), error states of nodes. A run is held in memory, about 150 bytes a
  frame.
"""
