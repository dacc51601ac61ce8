"""Tests of simfw.engine."""
