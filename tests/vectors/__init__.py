"""Test vectors: what they are held against."""
