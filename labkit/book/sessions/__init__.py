"""Sessions: plans, flights, progress, links, and what is left out of a reading."""
