"""Tests of reading gadget files."""
