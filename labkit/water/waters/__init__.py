"""A water: the ions in it, what follows from them by arithmetic, and a water that is wanted."""
