"""The journal of what people decide, in SQLite in the study folder or in PostgreSQL."""
