"""Tests of `simfw.life`."""
