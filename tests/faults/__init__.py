"""Faults of every kind in one go, repeatable by a seed, and what must hold after each of them."""
