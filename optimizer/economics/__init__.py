"""Money over the years: knows no site and no plan."""
