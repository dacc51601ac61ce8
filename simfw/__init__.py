"""simfw: a firmware behaviour simulator joined to a circuit model."""
