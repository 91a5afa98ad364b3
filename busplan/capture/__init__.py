"""Files of recorded frames in: readers, kept copies, and the one log format we write.

The way of a file: ``formats`` chooses the reader; text comes as blocks of whole lines (``blocks``,
parsed in threads by ``ahead``) to the kernels of the text log, ASC and CSV, anything else through
python-can, SQLite or asammdf (``canformats``, ``sqlitelog``, ``mf4`` with ``mf4_records``);
``tally`` counts what was set aside and where, ``trust`` judges clocks; ``merging`` and ``assembly``
make one table in order of time; ``store`` keeps it, mapped; ``read`` is the one way to open a
capture.

The rules of this room:

* Wrong entries go to ``tally.set_aside(reason, place)``; a file is refused when more than 25 % of
  it and at least 20 entries are wrong. A last line without a line end is never trusted.
* What lays a grid over the whole span must bound it (``trust.refuse_longer``) and take only frames
  within ``FrameTable.believable``: a clock set while recording stretches a span to years.
* Readers that give other frames for the same file raise ``store.VERSION``. Whatever is removed
  from the cache folder has a name only busplan gives; a copy appears by one rename.
* Several files are merged block by block: rows are in order of time across files, each file
  keeping its own order. Memory holds a few blocks of each.
* Threads live in one pool that is never shut down: a pool for each read deadlocked when an
  abandoned generator was collected while a thread was starting.
* Text log, ASC and CSV are what hours are recorded in, so they have kernels of our own; python-can
  reads 8 to 70 times slower, ends at the first bad line and drops errors without a word.
"""
