"""Salts by formula: elements, ions, what a label says."""
