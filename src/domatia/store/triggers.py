"""Triggers that refuse UPDATE and DELETE on every table, on both databases."""

from collections.abc import Iterable

from sqlalchemy import Connection, Table

REFUSAL = "a study is never changed, only added to: write a correction or a withdrawal"


def refuse_changes(connection: Connection, tables: Iterable[Table]) -> None:
    """Add the triggers that refuse any change of what stands in these tables."""
    if connection.dialect.name == "sqlite":
        for table in tables:
            _sqlite(connection, table)
        return
    statements = [
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
    ]
    statements += [
        f'CREATE TRIGGER "{table.name}_refuses" BEFORE UPDATE OR DELETE OR TRUNCATE ON "{table.name}" '
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        for table in tables
    ]
    connection.exec_driver_sql(";\n".join(statements))


def _sqlite(connection: Connection, table: Table) -> None:
    # INSERT OR REPLACE deletes without firing a DELETE trigger, hence the third one.
    same = " AND ".join(f'"{c.name}" = NEW."{c.name}"' for c in table.primary_key)
    unique = [f"({same})", *(f'"{c.name}" = NEW."{c.name}"' for c in table.columns if c.unique)]
    # The names come from the schema, never from a user.
    taken = f'WHEN EXISTS (SELECT 1 FROM "{table.name}" WHERE {" OR ".join(unique)}) '  # noqa: S608
    for name, event, when in (
        ("update", "UPDATE", ""),
        ("delete", "DELETE", ""),
        ("twice", "INSERT", taken),
    ):
        connection.exec_driver_sql(
            f'CREATE TRIGGER "{table.name}_refuses_{name}" BEFORE {event} ON "{table.name}" {when}'
            f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        )
