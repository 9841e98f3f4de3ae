"""Accounts, their sessions, tries to sign in, and keys for programs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from bridge.store.schema import Integer, Text

revision = "0045"
down_revision = "0053"
branch_labels = None
depends_on = None


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, Text, nullable=False) for name in names]


def upgrade() -> None:
    """Add the four tables."""
    op.create_table(
        "accounts",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_texts("name", "bare", "role"),
        sa.Column("is_on", Integer, nullable=False),
        *_texts("secret", "code_digest"),
        sa.Column("code_until", Text, nullable=True),
        sa.Column("version", Integer, nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("accounts_bare", "accounts", ["bare"], unique=True)
    op.create_table(
        "sessions",
        *_texts("digest"),
        sa.Column("account_id", Integer, nullable=False),
        *_texts("opened_at", "seen_at", "confirmed_at"),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("sessions_account", "sessions", ["account_id"])
    op.create_table(
        "sign_in_tries",
        *_texts("who"),
        sa.Column("failures", Integer, nullable=False),
        *_texts("last_at"),
        sa.PrimaryKeyConstraint("who"),
    )
    op.create_table(
        "api_keys",
        sa.Column("id", Integer, autoincrement=True, nullable=False),
        *_texts("name", "digest"),
        sa.Column("acts", Integer, nullable=False),
        *_texts("until", "made_by", "made_at", "ended_by"),
        sa.Column("ended_at", Text, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("api_keys_digest", "api_keys", ["digest"], unique=True)
