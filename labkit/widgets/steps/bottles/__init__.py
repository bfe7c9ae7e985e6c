"""Forms at the balance and the jug."""
