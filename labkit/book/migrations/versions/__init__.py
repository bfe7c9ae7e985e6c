"""One module per version of the schema, numbered from 0001."""
