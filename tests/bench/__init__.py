"""Benchmarks and full counts, run by hand."""
