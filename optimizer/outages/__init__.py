"""Outages from each step on, and floors that carry them."""
