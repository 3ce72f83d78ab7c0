"""Shortest sequences that show a difference between a device and the model."""
