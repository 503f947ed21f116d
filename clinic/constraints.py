"""Constraints that both databases hold themselves, also against `update()` and `bulk_create`."""

# mypy: disable-error-code="override"
# The stubs of BaseConstraint promise less than Django's schema editor gives and takes.

from collections.abc import Sequence
from typing import Any

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateTimeRangeField
from django.db import models
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.backends.ddl_references import Statement, Table
from django.db.models import F, Func, Q, Value
from django.db.models.constraints import BaseConstraint


class NoOverlap(BaseConstraint):
    """Two rows of the same group whose state is active never share an instant; end is exclusive.

    PostgreSQL: an exclusion constraint (btree_gist). SQLite: triggers, appended to the schema editor's deferred
    SQL as statements with table references, so that a table rebuild renames and keeps them.
    """

    def __init__(
        self,
        *,
        name: str,
        group: str,
        start: str = "start",
        end: str = "end",
        active: tuple[str, tuple[str, ...]] | None = None,
    ) -> None:
        super().__init__(name=name)
        self.group, self.start, self.end = group, start, end
        self.active = (active[0], tuple(active[1])) if active else None

    def deconstruct(self) -> tuple[str, Sequence[Any], dict[str, Any]]:
        path, args, kwargs = super().deconstruct()
        kwargs.pop("violation_error_code", None)
        kwargs.pop("violation_error_message", None)
        kwargs.update(group=self.group, start=self.start, end=self.end, active=self.active)
        return path, args, kwargs

    def __eq__(self, other: object) -> bool:
        return isinstance(other, NoOverlap) and self.deconstruct() == other.deconstruct()

    __hash__ = BaseConstraint.__hash__

    def validate(self, model: Any, instance: Any, exclude: Any = None, using: str = "default") -> None:
        """Nothing to do ahead of time: the database answers, and the service names who is busy when."""

    def _exclusion(self) -> ExclusionConstraint:
        span = Func(
            F(self.start),
            F(self.end),
            Value("[)"),
            function="tstzrange",
            output_field=DateTimeRangeField(),
        )
        condition = Q(**{f"{self.active[0]}__in": self.active[1]}) if self.active else None
        return ExclusionConstraint(
            name=self.name, expressions=[(F(self.group), "="), (span, "&&")], condition=condition
        )

    def constraint_sql(self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor) -> None:
        """Part of CREATE TABLE: nothing inline, the statements follow the table."""
        if schema_editor.connection.vendor == "sqlite":
            schema_editor.deferred_sql.extend(self._triggers(model, schema_editor))
        else:
            schema_editor.deferred_sql.extend(self._postgresql(model, schema_editor))

    def create_sql(
        self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor
    ) -> Statement | None:
        if schema_editor.connection.vendor == "sqlite":
            return None
        statement: Statement
        extension, statement = self._postgresql(model, schema_editor)
        schema_editor.execute(extension, params=None)
        return statement

    def remove_sql(
        self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor
    ) -> Statement | str | None:
        if schema_editor.connection.vendor == "sqlite":
            return None
        removal: Statement = self._exclusion().remove_sql(model, schema_editor)  # type: ignore[assignment]  # as above
        return removal

    def _postgresql(self, model: type[models.Model], editor: BaseDatabaseSchemaEditor) -> list[Any]:
        return [
            Statement("CREATE EXTENSION IF NOT EXISTS btree_gist"),
            self._exclusion().create_sql(model, editor),
        ]

    def _triggers(self, model: type[models.Model], editor: BaseDatabaseSchemaEditor) -> list[Statement]:
        def column(name: str) -> str:
            return str(editor.quote_name(getattr(model._meta.get_field(name), "column")))  # noqa: B009 (a relation has none)

        group, start, end = column(self.group), column(self.start), column(self.end)
        key = column(model._meta.pk.name)
        when, also = "1", "1"
        if self.active:
            states = ", ".join(f"'{state}'" for state in self.active[1])
            when, also = (f"{side}{column(self.active[0])} IN ({states})" for side in ("NEW.", "other."))
        return [
            Statement(
                f"CREATE TRIGGER {editor.quote_name(self.name + '_' + verb.lower())} BEFORE {verb} ON %(table)s "
                f"WHEN {when} BEGIN SELECT RAISE(ABORT, 'no overlap: {self.name}') "
                f"WHERE EXISTS (SELECT 1 FROM %(table)s AS other WHERE "
                f"other.{group} = NEW.{group} AND other.{start} < NEW.{end} "
                f"AND other.{end} > NEW.{start} AND {also}{besides}); END",
                table=Table(model._meta.db_table, editor.quote_name),
            )
            # Before an INSERT the row is not in the table yet, and SQLite leaves an automatic key undefined.
            for verb, besides in (("INSERT", ""), ("UPDATE", f" AND other.{key} <> OLD.{key}"))
        ]


class AppendOnly(BaseConstraint):
    """PostgreSQL itself refuses UPDATE and DELETE on the table; on SQLite clinic/records.py alone stands guard."""

    def deconstruct(self) -> tuple[str, Sequence[Any], dict[str, Any]]:
        path, args, kwargs = super().deconstruct()
        return path, args, {"name": kwargs["name"]}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, AppendOnly) and self.name == other.name

    __hash__ = BaseConstraint.__hash__

    def validate(self, model: Any, instance: Any, exclude: Any = None, using: str = "default") -> None:
        """An insert is always allowed."""

    def constraint_sql(self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor) -> None:
        if schema_editor.connection.vendor == "postgresql":
            schema_editor.deferred_sql.extend(self._statements(model, schema_editor))

    def create_sql(
        self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor
    ) -> Statement | None:
        if schema_editor.connection.vendor != "postgresql":
            return None
        function, trigger = self._statements(model, schema_editor)
        schema_editor.execute(function, params=None)
        return trigger

    def remove_sql(
        self, model: type[models.Model], schema_editor: BaseDatabaseSchemaEditor
    ) -> Statement | None:
        if schema_editor.connection.vendor != "postgresql":
            return None
        return Statement(
            f"DROP TRIGGER {schema_editor.quote_name(self.name)} ON %(table)s",
            table=Table(model._meta.db_table, schema_editor.quote_name),
        )

    def _statements(self, model: type[models.Model], editor: BaseDatabaseSchemaEditor) -> list[Statement]:
        return [
            Statement(
                "CREATE OR REPLACE FUNCTION clinic_append_only() RETURNS trigger LANGUAGE plpgsql AS $$ "
                "BEGIN RAISE EXCEPTION 'append only: %%', TG_TABLE_NAME USING ERRCODE = 'restrict_violation'; END $$"
            ),
            Statement(
                f"CREATE TRIGGER {editor.quote_name(self.name)} BEFORE UPDATE OR DELETE ON %(table)s "
                "FOR EACH ROW EXECUTE FUNCTION clinic_append_only()",
                table=Table(model._meta.db_table, editor.quote_name),
            ),
        ]
