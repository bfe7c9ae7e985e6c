"""The blind score sheet."""
