"""Test vectors: a small set of stimuli that covers every row, guard outcome and side of a time.

A vector is a scenario for `simfw run`, or, where no scenario can reach a row in reasonable time,
a list of levels for a bench with an adjustable supply that also drives the status pin ("bench
vector"). Both kinds run on the model and, behind the line protocol, on any firmware.
"""

from simfw.vectors.build import Vector, VectorSet, find_paths, make_vectors
from simfw.vectors.files import vector_files

__all__ = ["Vector", "VectorSet", "find_paths", "make_vectors", "vector_files"]
