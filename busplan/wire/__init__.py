"""What a frame costs on the wire: lengths, exact bits, CRC, bit timing, cable.

The rules of this room:

* A bit is counted from start of frame to the end of the intermission, everywhere. A CAN FD frame's
  data part is ESI to CRC delimiter. Times are whole nanoseconds, rounded up.
* ``bits`` shows every bit of a frame, readable, and is the reference for all else; ``exact``
  counts them for whole tables, one table look-up a byte. A third counter, by bit columns, stands
  in the tests; all three must agree.
* ``cable_rules`` holds every table and rule of cables with its source as users read it; a new rule
  is a ``Limit`` there, a line in the cable command and a code. The echo rule for the data phase of
  CAN FD is ours and says so wherever it is shown.
* ``bit_timing`` imports python-can's module of that name without the rest of it, which costs half
  a second or more with every log format installed.
"""
