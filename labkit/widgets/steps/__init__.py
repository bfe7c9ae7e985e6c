"""The forms, one folder a step of the work."""
