"""Text, tables, figures, page and files; no arithmetic beyond rounding."""
