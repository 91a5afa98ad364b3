"""Recorded frames as columns: the table everything stands on, and its index by identifier."""
