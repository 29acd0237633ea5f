"""The log: schema, store, queries, export. SQLite."""
