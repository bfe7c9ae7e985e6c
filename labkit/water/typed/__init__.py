"""Waters as people type them and say them: read, and written back."""
