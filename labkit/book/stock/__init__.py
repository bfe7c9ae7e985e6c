"""The shelf: bottles, base waters, and what waits to be mixed."""
