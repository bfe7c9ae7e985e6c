"""A mixed jug checked: what meter and drops should read, and which slip explains what they do."""
