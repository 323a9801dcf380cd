"""Labels off, arrays in, results back with labels: workbench.stats put to work on measures."""
