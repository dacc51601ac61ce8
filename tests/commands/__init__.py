"""Subcommands, from the command line in."""
