"""Forms that open the key, read the scores and say what comes next."""
