"""A second simulator, written from the documents alone, and random gadgets for the two.

It shares no code with `simfw`: its own reading of files, its own quantities, expressions, rows of
stock regions, order inside an instant, and circuit. It is slow and plain on purpose: every look,
blink and sample is stepped, every current is solved where it is needed. What it does is what
`docs/` and the file formats say; where the two differ, one of them is wrong.
"""
