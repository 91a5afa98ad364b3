"""The replay screens: a terminal application over ``busplan.replay``.

The rules of this room:

* It computes nothing and draws nothing; ``busplan.text`` makes lines of a snapshot, and the views
  here put them on the screen. ``sheet`` paints only lines that changed; ``look`` says how roles
  look on dark, on light and without colour. Every text role has a contrast of 4.5 at least and
  every state a mark beside its colour.
* Keys have ids: users remap them in ``keys.toml`` (``keys``); ``bound`` tells help and palette
  what they do; ``start`` opens the screens as they were left. ``browser`` puts our own page before
  textual-serve's assets and refuses what other sites' pages ask for.
* What keeps them quick: a ``Snapshot`` works out each part when it is first asked for; lines go to
  the compositor as painted, past a widget's general styling; loads, findings and the verdict
  follow on a thread (``beside``) that quitting never waits for; what a screen has worked out of a
  capture is kept with the capture (``Replay.keep``), never in a cache of a module.
* What must hold whatever the text is stands in ``tests/screens/test_fitting.py``; every screen at
  three sizes is kept as text. ``test_terminal.py`` runs the command in a pseudo-terminal,
  ``test_browser.py`` in headless Chromium (skipped without it).
"""

from os import environ

# Changes wait for the next of so many moments a second to be sent to the terminal: at 60, the
# default, a key waits 17 ms and more for nothing. When nothing changes none of them is used.
environ.setdefault("TEXTUAL_FPS", "120")
