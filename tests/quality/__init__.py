"""Planted faults, each with its sound twin."""
