"""Many coffees: side by side, and one water for several."""
