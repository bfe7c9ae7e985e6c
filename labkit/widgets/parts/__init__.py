"""Parts that all forms are made of."""
