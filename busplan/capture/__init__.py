"""Recorded frames as columns, and the readers that make them."""
