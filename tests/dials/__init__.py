"""Dials: values that are counted up and down."""
