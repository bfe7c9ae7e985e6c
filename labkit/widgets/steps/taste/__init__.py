"""Forms of a tasting under way."""
