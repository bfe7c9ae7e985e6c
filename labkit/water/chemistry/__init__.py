"""The chemistry of a water: equilibrium, conductivity, scale, steel, and its portrait."""
