"""The log: schema, store, queries, export. SQLite. It only grows: what is wrong is marked, never deleted."""
