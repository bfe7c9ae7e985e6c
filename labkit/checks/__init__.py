"""labkit's numbers beside those of others: published, or computed independently."""
