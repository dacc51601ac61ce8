"""Tests of scenarios, patterns and recordings."""
