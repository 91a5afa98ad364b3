"""The one door to cantools, imported without the half of it that talks on buses.

``cantools`` imports its ``tester`` at once, which imports python-can with every log format that is
installed: half a second or more that reading a DBC file has no use for.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

_UNUSED = "cantools.tester"


def dbc_format() -> Any:
    """The module ``cantools.database.can.formats.dbc``.

    On cantools' first import an empty module stands in for its ``tester``; it is taken away at
    once, so that ``import cantools.tester`` still gives the real one to whoever wants it.
    """
    if "cantools" in sys.modules or _UNUSED in sys.modules or "can" in sys.modules:
        from cantools.database.can.formats import dbc

        return dbc
    sys.modules[_UNUSED] = ModuleType(_UNUSED)
    try:
        from cantools.database.can.formats import dbc
    finally:
        del sys.modules[_UNUSED]
    return dbc
