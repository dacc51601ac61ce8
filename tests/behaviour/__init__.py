"""Tests of simfw.behaviour."""
