"""What the firmware does: expressions, regions, rows, and the machines built from them."""
