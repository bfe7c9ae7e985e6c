"""Scores: how one is taken, and the table of them."""
