"""Tests of simfw."""
