"""The subcommands, one module each.

A module of this package whose name has no leading underscore is a subcommand. It has `RANK` (its
place in the help) and `register(commands)`, which adds its parser with `add_command` and sets the
function to call. Heavy imports belong inside that function, so that `simfw --help` stays quick.
"""
