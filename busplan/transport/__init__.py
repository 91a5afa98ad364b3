"""Messages that need several frames, put together: SAE J1939-21 and ISO 15765-2."""
