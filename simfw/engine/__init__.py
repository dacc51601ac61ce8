"""Behaviour and circuit joined: the simulator and what it yields."""
