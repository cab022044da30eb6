"""How Alembic runs the one history of migrations, on SQLite and on PostgreSQL."""

from __future__ import annotations

from alembic import context
from sqlalchemy import pool, text
from sqlalchemy.engine import Connection, create_engine, make_url

import calfleet.store.models  # noqa: F401 - loads every table
from calfleet.store.base import Base

url = context.config.attributes["url"]


def run(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=Base.metadata,
        compare_type=True,
        transactional_ddl=True,
        # a forgotten CHECK is not seen without this
        autogenerate_plugins=["alembic.autogenerate.*", "alembic.ext.checkconstraint_byname"],
    )
    with context.begin_transaction():
        context.run_migrations()


def run_online() -> None:
    engine = create_engine(make_url(url), poolclass=pool.NullPool)
    with engine.connect() as connection:
        if connection.dialect.name != "sqlite":
            run(connection)
            connection.commit()
            return
        # rebuilding a table with foreign keys on would delete its children; the pragma works
        # only outside a transaction
        connection.exec_driver_sql("PRAGMA foreign_keys = OFF")
        connection.commit()
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        run(connection)
        broken = connection.execute(text("PRAGMA foreign_key_check")).fetchall()
        if broken:
            connection.rollback()
            raise RuntimeError(f"the migration would break {len(broken)} references: {broken[:5]}")
        connection.commit()


if context.is_offline_mode():
    raise RuntimeError("Offline migrations are not supported: guards need the live database.")
run_online()
