"""Tests of the circuit."""
