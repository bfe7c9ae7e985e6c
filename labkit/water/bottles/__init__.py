"""Bottles of concentrate: weighed, measured, shared, and what dissolves at all."""
