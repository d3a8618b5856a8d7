"""What the geometry means: net roles, drivers, connectivity, paths, runs, references, gaps."""
