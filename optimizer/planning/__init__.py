"""The cheapest operation: the linear program, its matrices, the solver, the proven plan."""
