"""Tests of the comparison of a firmware with the model."""
