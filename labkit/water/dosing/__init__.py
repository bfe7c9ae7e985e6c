"""From bottles and base water to a wanted water: choosing, dosing, what is within reach."""
