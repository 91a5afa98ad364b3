"""Planning checks: one file a check, each a pure function from a vehicle to findings."""
