"""Readers of outside formats, one file for each."""
