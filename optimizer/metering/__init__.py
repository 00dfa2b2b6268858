"""Meter data, prices and forecasts as files, one file a format."""
