"""What settings are worth, why, and how sure that is."""
