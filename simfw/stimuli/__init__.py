"""What the outside does: scenarios, patterns, recordings."""
