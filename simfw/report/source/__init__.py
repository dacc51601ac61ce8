"""Portable C99 for a replacement firmware, read from the same rows as everything else.

No heap, no recursion, no floating point, no function pointers; constant tables, one step function
with a tick, and thin hooks for pins, converter, sleep and wake. Beside it stands a harness for the
host, which puts the very same tables behind lines on standard input and output.
"""

from simfw.report.source.bundle import c_files, harness_files, source_files

__all__ = ["c_files", "harness_files", "source_files"]
