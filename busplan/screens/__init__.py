"""The replay screens: a terminal application over ``busplan.replay``.

The rules of this room: it computes nothing and draws nothing; ``busplan.text`` makes lines of a
snapshot, and the views here put them on the screen.
"""

from os import environ

# Changes wait for the next of so many moments a second to be sent to the terminal: at 60, the
# default, a key waits 17 ms and more for nothing. When nothing changes none of them is used.
environ.setdefault("TEXTUAL_FPS", "120")
