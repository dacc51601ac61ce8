"""Published figures from outside the project."""
