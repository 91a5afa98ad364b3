"""What ``import busplan`` gives: calls and values for notebooks and scripts, thin over the rooms.

The rules of this room: a call checks what it is given and hands it on; nothing is judged here.
Only ``busplan/__init__.py`` imports this room, and only when a name is asked for.
"""
