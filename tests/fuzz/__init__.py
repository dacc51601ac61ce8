"""Mutated files of every kind that simfw reads: whatever they hold, no command ends in a traceback.

`python -m tests.fuzz N SEED` runs N mutants with bounds on time and memory; the test beside it runs
a few hundred.
"""
