"""Turns a PV forecast, a load forecast and a tariff into battery settings a person can type in."""

__version__ = "0.1.0"
