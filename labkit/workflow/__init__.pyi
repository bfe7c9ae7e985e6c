"""The door of this room: every name that others may use, and where it lives."""
