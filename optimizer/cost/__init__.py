"""A bill as an expression, read as arithmetic or as a linear cost."""
