"""How a transport session can end, as plain numbers that the followers share.

The rules of this file: no imports of ours, only whole numbers, so that the followers
(:mod:`busplan.transport.j1939_follow`, :mod:`busplan.transport.iso15765_follow`) can be compiled.
"""

from __future__ import annotations

OPEN = 0
"""Still going; never an ending."""
COMPLETE = 1
"""All of the message is there."""
MISSING = 2
"""A part never came."""
PAUSED = 3
"""Nothing came for longer than the time-out."""
REPLACED = 4
"""Its sender announced another message before the end."""
ABORTED = 5
"""One of the two ended it with an abort."""
MALFORMED = 6
"""The announcement contradicts itself."""
UNANNOUNCED = 7
"""Packets without an announcement."""
BEFORE = 8
"""Packets of a session that began before the capture."""
CUT_OFF = 9
"""The capture ends first."""
BEYOND = 10
"""A packet number beyond those announced."""
SHORT = 11
"""A frame has fewer bytes than it must carry."""
CHANGED = 12
"""A packet came again with other contents."""
REFUSED = 13
"""The receiver has no room for the message."""

NOTHING = -1
"""A frame that carries no part, or belongs to no session."""
AGAIN = -2
"""``AGAIN - k`` stands for part ``k`` coming again."""
