"""Forms over many coffees."""
