"""Alembic environment of the ledger; run when a ledger is opened, never by hand."""
