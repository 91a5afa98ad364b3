"""The live bus: opening interfaces, recording, watching. Nothing here transmits by itself."""
