"""Facts as text: lines of runs, tables, bars, and every screen's drawing.

The rules of this room: it knows no terminal. Every drawing is a pure function from values to lines
of *runs* (text and the role it plays), which serve the terminal, the browser and the printed page
alike. No state is told by colour alone.
"""
