"""Writing what was decoded to files."""
