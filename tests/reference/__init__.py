"""Comparisons with other programs."""
