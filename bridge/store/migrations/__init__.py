"""Alembic's steps from every released schema to the next."""
