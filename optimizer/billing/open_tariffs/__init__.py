"""Open, machine-readable tariffs of others, read into the project's own tariff.

One file for each outside form. Read first: ``parts``.
"""
