"""The manual: Markdown pages written by hand, references made from the code, found and shown.

Written pages lie in ``pages/`` and are listed in :mod:`busplan.manual.written`; their first line is
their title. References (commands, plan keys, codes of findings, formats, Python) are made when they
are asked for, from the tables that busplan itself works by, so that they cannot tell anything else.
What only the command line knows, its commands and the public names, is handed in
(:mod:`busplan.manual.facts`). Nothing but ``busplan manual`` imports this room.

Every code block of a page is run by ``tests/manual``, or says why not: ``no-run:`` and a reason
after the language; ``file=NAME`` writes the block under that name for those that follow.
"""
