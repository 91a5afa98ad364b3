"""The replay screens: a terminal application over ``busplan.replay``, and its text and JSON twins.

The rules of this room: it computes nothing; every screen is drawn by a pure function from a
snapshot to lines of *runs* (text and the role it plays), which serve the terminal, the browser and
the printed twin alike. No state is told by colour alone.
"""

from os import environ

# Changes wait for the next of so many moments a second to be sent to the terminal: at 60, the
# default, a key waits 17 ms and more for nothing. When nothing changes none of them is used.
environ.setdefault("TEXTUAL_FPS", "120")
