"""What can be said of a gadget beyond one run: checks, searches, comparisons."""
