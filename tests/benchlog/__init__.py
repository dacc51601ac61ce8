"""The bench log."""
