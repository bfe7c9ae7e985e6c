"""The database: schema, opening, transactions, and the plain objects handed out."""
