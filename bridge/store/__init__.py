"""The store: commands in, rows out. SQLite with one writer and group commit; every query lives here."""
