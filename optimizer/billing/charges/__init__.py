"""The charges a tariff can have, one file for each family."""
