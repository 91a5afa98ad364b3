"""The plan file and the vehicle it describes."""
