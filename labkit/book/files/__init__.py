"""The lab book as files: taken in, taken away."""
