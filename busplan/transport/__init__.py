"""Messages that need several frames, put together: SAE J1939-21 and ISO 15765-2.

The rules of this room:

* A message has the time of its last packet, its group, source and (PDU1) destination. A session
  carries no priority: it gets that of the plan's message, else 6. Only complete sessions hand one
  on; every other has an ``Ending`` and is counted and placed.
* Followers (``*_follow``) say which frame belongs to which session: plain functions, compiled from
  5,000 frames on, each with a slow twin in ``tests/support/slow_transport.py``.
* Who is followed: J1939 on networks that the plan calls so (without a plan: where one session was
  announced rightly). ISO 15765-2 cannot be told from identifiers: a plan or an option says so.
* A broadcast is given up after 0.75 s, a connection after 1.25 s, ISO 15765-2 after 1 s, the
  longest time-outs that could apply: a listener cannot know how patient the two are.
* Long payloads have a table of their own with uint32 lengths: frame columns stay narrow. Whoever
  decodes asks ``messages.pick(rows)``.
* Not analysed: the pauses between packets in response times, J1939 on CAN FD (J1939-22), sessions
  of the simulation (it leaves such messages out and says so).
"""
