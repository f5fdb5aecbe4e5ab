"""The study file: open, migrate, append, read; SQLite and PostgreSQL behind one door."""
