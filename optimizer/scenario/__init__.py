"""The scenario file, and what is odd about it."""
