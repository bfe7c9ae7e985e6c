"""Forms that hand a coffee's water over."""
