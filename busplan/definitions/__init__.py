"""What travels on a network, as busplan sees it: immutable messages and signals.

The way of a DBC file: ``source`` (bytes to text, the one place that opens one) → ``statements``
(cut, with places) → ``sense`` and ``salvage`` (what cannot be used is set aside and told;
cantools, through ``door``, reads the rest) → ``convert`` (cantools' objects into ours) →
``oddities`` (findings about messages that load nevertheless). ``dbc.load_dbc`` does it all.

The rules of this room: a file is read as far as it can be, and every blemish is told by place; a
new one gets a check in ``sense`` (one statement) or ``oddities`` (one message) and a test in
``tests/definitions/test_blemishes.py``. Nothing outside knows cantools.
"""
