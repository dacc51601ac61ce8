"""The description of a gadget: its frozen form, and how a file becomes one."""
