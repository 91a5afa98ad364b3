"""The plan file and the vehicle it describes.

The way of a plan: ``reader`` opens the file and says where TOML is wrong; ``locate`` finds the
line of every key; ``schema`` and ``validate`` judge keys, kinds and ranges, one table at a time;
``resolve`` (with ``parts``, ``routing``, ``packlayout``) says whether the names fit together;
``streams`` is what is sent, as placed, ``carrying`` what gateways send on; ``paper`` makes
messages of tables, ``paper_text`` tables of messages; ``vehicle`` holds the result. ``select``
picks signals and messages, the same for plans and options; ``change`` makes what-ifs out of the
document, resolved anew; ``writing`` puts a changed document into the text.

The rules of this room: every mistake is told at once, with file, line, key path and a suggestion
(``problems``); a broken network still has a stand-in, so that one mistake hides little; every key
a plan has reaches ``whatif --set``.
"""
