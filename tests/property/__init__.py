"""Laws that hold for everything that can be written."""
