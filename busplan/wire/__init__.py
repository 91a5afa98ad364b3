"""What a frame costs on the wire."""
