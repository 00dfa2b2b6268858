"""The search for the windows that cost least in plausible years."""
