"""How long it lasts over a usage pattern: many users, many parts, fast enough to compare."""
