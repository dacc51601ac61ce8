"""Tests of gadgets that are handled."""
