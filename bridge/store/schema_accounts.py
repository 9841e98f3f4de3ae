"""The tables of who may sign in: accounts, sessions, tries, keys. As ``schema`` says."""

from __future__ import annotations

from sqlalchemy import Column, Index, Table

from bridge.store.schema_parts import Integer, Text, metadata, row_id

# bare: the name as names are compared (identity.person.bare); secret: an Argon2id hash, "" until a password is chosen;
# issuer, subject: whose account it is in a directory, both "" for an account of this site
accounts = Table(
    "accounts",
    metadata,
    row_id(),
    Column("name", Text, nullable=False),
    Column("bare", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("is_on", Integer, nullable=False),
    Column("secret", Text, nullable=False),
    Column("code_digest", Text, nullable=False),
    Column("code_until", Text),
    Column("version", Integer, nullable=False),
    Column("issuer", Text, nullable=False, server_default=""),
    Column("subject", Text, nullable=False, server_default=""),
    Index("accounts_bare", "bare", unique=True),
    Index("accounts_subject", "issuer", "subject"),
)

# digest: SHA-256 of the token that the browser holds; sure_at: when its person last gave the password; locked_at: since when it
# opens nothing; line: what it shares with the sessions before it of the same person in the same browser
sessions = Table(
    "sessions",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("account_id", Integer, nullable=False),
    Column("opened_at", Text, nullable=False),
    Column("seen_at", Text, nullable=False),
    Column("sure_at", Text),
    Column("locked_at", Text),
    Column("line", Text, nullable=False),
    Column("known_by", Text, nullable=False),
    Index("sessions_account", "account_id"),
)

# digest: SHA-256 of the token that the browser holds; open_until: until then people switch there; ended_by "": not yet
benches = Table(
    "benches",
    metadata,
    row_id(),
    Column("name", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("made_at", Text, nullable=False),
    Column("open_until", Text),
    Column("opened_by", Text, nullable=False),
    Column("ended_by", Text, nullable=False),
    Column("ended_at", Text),
    Index("benches_digest", "digest", unique=True),
)

# pin: an Argon2id hash; badge: an HMAC-SHA-256 (hex) with the site's key; "" for none
quick_ways = Table(
    "quick_ways",
    metadata,
    Column("account_id", Integer, primary_key=True, autoincrement=False),
    Column("pin", Text, nullable=False),
    Column("badge", Text, nullable=False),
    Index("quick_ways_badge", "badge"),
)

# who: a digest of a name, or an address; failures: wrong tries in a row
sign_in_tries = Table(
    "sign_in_tries",
    metadata,
    Column("who", Text, primary_key=True),
    Column("failures", Integer, nullable=False),
    Column("last_at", Text, nullable=False),
)

# digest: SHA-256 of the secret inside; opened_by: the name that was typed; only the newest row opens anything, once
envelopes = Table(
    "envelopes",
    metadata,
    row_id(),
    Column("digest", Text, nullable=False),
    Column("sealed_by", Text, nullable=False),
    Column("sealed_at", Text, nullable=False),
    Column("opened_by", Text, nullable=False),
    Column("opened_at", Text),
    Column("opened_why", Text, nullable=False),
    Column("looked_by", Text, nullable=False),
    Column("looked_at", Text),
    Column("looked_why", Text, nullable=False),
)

# digest: SHA-256 of the whole key; ended_by "": not yet
api_keys = Table(
    "api_keys",
    metadata,
    row_id(),
    Column("name", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Column("acts", Integer, nullable=False),
    Column("until", Text, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("made_at", Text, nullable=False),
    Column("ended_by", Text, nullable=False),
    Column("ended_at", Text),
    Index("api_keys_digest", "digest", unique=True),
)
