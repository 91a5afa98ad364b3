"""Signal values out of recorded frames, a whole column at a time.

The way of a capture: ``match`` gives frames to messages (J1939 by group, source and destination);
``layout`` says where a signal lies; ``extract`` calls the kernel, which goes over the frames once,
in blocks (times and lengths, eight payload bytes as a word, every signal by shift and mask);
``presence`` tells which frames carry a signal; ``codec`` joins them; ``series`` does a capture
window by window; ``columns`` lays values out long or wide; ``report`` makes the findings.

The rules of this room: the codec equals its slow twin (``tests/support/slow_codec.py``), and
cantools on every demo file and on the files of cantools' own source distribution; ``single`` reads
one frame for the screens and equals the codec; what names of counters and checksums mean stands in
``protected_names``, their kinds in ``protection``.
"""
