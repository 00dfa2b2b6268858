"""Studies over many cases: what a battery is worth, at which size, on which tariff, if prices move."""
