"""Cutters, materials and machines, and the files they come from."""
