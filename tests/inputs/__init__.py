"""Inputs that are neither buttons nor hands: toggles and measures, from end to end."""
