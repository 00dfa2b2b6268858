"""The program as a library: scenarios from frames and records, jobs that return records with frames.

Its names are imported from ``optimizer``; ``guide.md`` shows them at work.
"""
