"""Signal values out of recorded frames, a whole column at a time."""
