"""The behaviour of a gadget: expressions, regions, and the machines that step them."""
