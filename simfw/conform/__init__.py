"""Holding a firmware against the model: what drives it, where it parts, which faults show."""
