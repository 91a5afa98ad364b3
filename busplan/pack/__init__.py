"""Cells, modules and sensors of the traction pack, and the judgement over them."""
