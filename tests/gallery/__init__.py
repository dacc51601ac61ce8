"""Gadgets in many styles, worked out by hand, and every command on each of them."""
