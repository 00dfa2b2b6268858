"""Outages: how long the building is carried, and whether loads and equipment fit together."""
