"""Tests of checks: zones, search, findings, witnesses."""
