"""Forms that plan a tasting."""
