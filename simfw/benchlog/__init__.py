"""The bench log: which guesses are left of what was seen at the bench, and what to look at next."""
