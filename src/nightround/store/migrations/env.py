"""Alembic's entry: always run by `store.schema` on a connection it is given, inside that unit of work."""

from alembic import context

from nightround.store.tables import metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=metadata,
    render_as_batch=True,
    user_module_prefix="",
)
context.run_migrations()
