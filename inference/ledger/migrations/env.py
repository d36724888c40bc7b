"""Alembic's entry: runs the steps on the connection that `crestgauge.inference.ledger.store` hands over."""

from __future__ import annotations

from alembic import context

from crestgauge.inference.ledger.tables import Base

context.configure(connection=context.config.attributes["connection"], target_metadata=Base.metadata)
with context.begin_transaction():
    context.run_migrations()
