"""Fixtures of this room."""

from support.cantools_files import cantools_dbc_files

__all__ = ["cantools_dbc_files"]
