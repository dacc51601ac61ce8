"""A gadget on the bench: it is handled while it runs, goes back, and is compared with another."""
