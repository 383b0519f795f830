"""Replace technicians' names by codes in all data of a log.

What changes: IDs, free text, custom columns, file names, headings and cells of rejected rows. Fields with fixed values, table and
column names and the text of messages stay as they are, even if a technician is called Mineral, Front or sessions.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import fields as fields_of
from dataclasses import is_dataclass, replace
from itertools import chain, repeat
from typing import Any

import polars as pl

from analysis.intake import PEOPLE_COLUMNS, SORTED_BY, Log, OwnField, RejectedRows, normalise, with_reasons
from analysis.output.name_search import NameSearch, distinct_replacements
from analysis.standard import Standard, built_in
from schemas import LOG_TABLES, field_entries

TABLES = (*LOG_TABLES, "links", "intake", "set_aside")
FIELDS = tuple(entry for table, model in LOG_TABLES.items() for entry in field_entries(table, model))
LEVELS = {entry.name: frozenset(entry.levels) for entry in FIELDS if entry.levels}
FREE_TEXT = ("note", "reason", "value", "heading")
"""Columns in which two texts may become equal; elsewhere that would merge two bikes, files or IDs."""
NOT_SHOWN = "not shown because names are hidden; see this row of the file"


def pseudonymise(log: Log, codes: dict[str, str]) -> Log:
    """The log with every name in its data replaced by a code."""
    search = NameSearch(codes)
    renamed = _new_own_column_names(log, search)
    changes = _collect_changes(log, codes, search)
    tables: dict[str, Any] = {}
    for name in TABLES:
        table = _apply_changes(getattr(log, name), changes)
        own = {old: new for old, new in renamed.items() if old in table.columns}
        tables[name] = table.rename(own).sort(SORTED_BY[name], nulls_last=True, maintain_order=True)
    tables["set_aside"] = hide_names_in_reasons(log.set_aside, search, changes, renamed)
    file = changes["file"]
    return replace(
        log,
        **tables,
        names=(),
        own_fields=tuple(_hidden_own_field(own, renamed, search) for own in log.own_fields),
        sources=tuple(replace(one, file=file.get(one.file, one.file)) for one in log.sources),
        rejected=tuple(_rows_with_codes(one, file.get(one.file, one.file), search, tables) for one in log.rejected),
        warnings=tuple(search.hide_in_message(one, [source.file for source in log.sources]) for one in log.warnings),
    )


def replacements_in_column(column: str, log: Log, codes: dict[str, str]) -> dict[str, str]:
    """New value of each one in a column that contains a name, as in `pseudonymise`."""
    return _collect_changes(log, codes, NameSearch(codes))[column]


def field_names_with_codes(names: Iterable[str], log: Log, codes: dict[str, str]) -> tuple[str, ...]:
    """Custom fields as they are called after `pseudonymise`; names with or without `own.`."""
    renamed = _new_own_column_names(log, NameSearch(codes))
    return tuple(renamed.get(f"own.{name.removeprefix('own.')}", name) for name in names)


def hide_names_in_standard(standard: Standard, log: Log, codes: dict[str, str]) -> Standard:
    """The procedure with names replaced in its titles, IDs and custom fields, consistent with `pseudonymise`."""
    search, default = NameSearch(codes), built_in()
    if standard.name == default.name and not standard.earlier:
        return standard
    unchanged = (
        _collect_texts(default.steps)
        | {entry.name for entry in FIELDS}
        | {level for one in LEVELS.values() for level in one}
    )
    renamed = _new_own_column_names(log, search)
    versions = (standard, *standard.earlier)
    texts = {text for one in versions for text in _collect_texts((one.steps, one.name, one.shops))}
    changed = {text: renamed.get(text) or search.hide(text) for text in texts - unchanged}
    return _hidden_version(standard, changed)


def _hidden_version(standard: Standard, changed: dict[str, str]) -> Standard:
    return replace(
        standard,
        steps=_replace_texts(standard.steps, changed),
        name=changed.get(standard.name, standard.name),
        shops=_replace_texts(standard.shops, changed),
        earlier=tuple(_hidden_version(one, changed) for one in standard.earlier),
    )


def _collect_texts(thing: object) -> set[str]:
    """All texts in a tree of dataclasses and tuples."""
    if isinstance(thing, str):
        return {thing}
    if is_dataclass(thing) and not isinstance(thing, type):
        return {text for field in fields_of(thing) for text in _collect_texts(getattr(thing, field.name))}
    return {text for part in thing for text in _collect_texts(part)} if isinstance(thing, tuple) else set()


def _replace_texts(thing: Any, changed: dict[str, str]) -> Any:
    if isinstance(thing, str):
        return changed.get(thing, thing)
    if is_dataclass(thing) and not isinstance(thing, type):
        return replace(
            thing, **{one.name: _replace_texts(getattr(thing, one.name), changed) for one in fields_of(thing)}
        )
    return tuple(_replace_texts(part, changed) for part in thing) if isinstance(thing, tuple) else thing


def _new_own_column_names(log: Log, search: NameSearch) -> dict[str, str]:
    """New names of custom columns that contain a name."""
    names = pl.Series([own.name.removeprefix("own.") for own in log.own_fields], dtype=pl.String)
    return {f"own.{old}": f"own.{new}" for old, new in distinct_replacements(names, search.changes).items()}


def _hidden_own_field(own: OwnField, renamed: dict[str, str], search: NameSearch) -> OwnField:
    return replace(own, name=renamed.get(own.name, own.name), unit=search.hide(own.unit))


def _collect_changes(log: Log, codes: dict[str, str], search: NameSearch) -> dict[str, dict[str, str]]:
    """New texts by column and old text; the same for every table with that column."""
    columns: dict[str, list[pl.Series]] = {}
    for table in TABLES:
        frame = getattr(log, table)
        for name in _data_columns(frame):
            columns.setdefault(name, []).append(frame.get_column(name))
    columns.setdefault("file", []).append(pl.Series([one.file for one in log.sources], dtype=pl.String))
    columns["file"].append(pl.Series([one.file for one in log.rejected], dtype=pl.String))
    changes = dict.fromkeys(PEOPLE_COLUMNS, codes)
    for name, parts in columns.items():
        texts = pl.concat([part.unique() for part in parts])
        changes[name] = search.changes(texts) if name in FREE_TEXT else distinct_replacements(texts, search.changes)
    if "step" in changes:
        steps = {step.id for step in built_in().steps}
        changes["step"] = {old: new for old, new in changes["step"].items() if old not in steps}
    return changes


def _data_columns(frame: pl.DataFrame) -> list[str]:
    """Text columns with free content, without those that name people."""
    fixed = {*PEOPLE_COLUMNS, "table", "column", "rule", "action", "message", *LEVELS}
    return [name for name, kind in frame.schema.items() if kind == pl.String and name not in fixed]


def _apply_changes(frame: pl.DataFrame, changes: dict[str, dict[str, str]]) -> pl.DataFrame:
    names = [name for name in (*PEOPLE_COLUMNS, *_data_columns(frame)) if name in frame.columns and changes.get(name)]
    return frame.with_columns(frame.get_column(name).replace(changes[name]) for name in names)


def hide_names_in_table(frame: pl.DataFrame, codes: dict[str, str]) -> pl.DataFrame:
    """One table with every name in its data replaced by a code."""
    search = NameSearch(codes)
    changes = {name: distinct_replacements(frame.get_column(name), search.changes) for name in _data_columns(frame)}
    return _apply_changes(frame, changes | dict.fromkeys(PEOPLE_COLUMNS, codes))


def hide_names_in_reasons(
    reasons: pl.DataFrame,
    search: NameSearch,
    changes: dict[str, dict[str, str]] | None = None,
    renamed: dict[str, str] | None = None,
) -> pl.DataFrame:
    """The rejection reasons with names replaced; in a message only the heading and the quoted value change."""
    people = reasons.filter(pl.col("column").is_in(PEOPLE_COLUMNS)).get_column("value").drop_nulls().unique()
    person = {text: search.hide_person(text) for text in people}
    changes = changes or {name: search.changes(reasons.get_column(name)) for name in ("file", "heading", "value")}
    is_person, value = pl.col("column").is_in(PEOPLE_COLUMNS), pl.col("value")
    value = pl.when(is_person).then(value.replace(person)).otherwise(value.replace(changes["value"]))
    broken = pl.col("rule") == "unreadable_row"
    new = reasons.with_columns(
        pl.col("file").replace(changes["file"]),
        pl.col("heading").replace(changes["heading"]),
        pl.col("column").replace(renamed or {}),
        value=pl.when(broken).then(pl.lit(NOT_SHOWN)).otherwise(value),
    )
    label = pl.coalesce("heading", "column")
    old = reasons.select(old_label=label, old_value=pl.col("value").str.slice(0, 60).fill_null(""))
    hidden = new.hstack(old).with_columns(label=label).with_columns(message=_rewrite_message())
    return hidden.drop("label", "old_label", "old_value").sort(
        SORTED_BY["set_aside"], nulls_last=True, maintain_order=True
    )


def _rewrite_message() -> pl.Expr:
    """The message with the old heading and value at its start replaced by the new ones."""
    message, new = pl.col("message"), pl.col("value").str.slice(0, 60).fill_null("")
    words: Any = pl.when(False).then(message)
    for sign in ("'", ""):
        head = pl.format("{}: " + sign + "{}", "old_label", "old_value")
        rest = message.str.slice(head.str.len_chars())
        words = words.when(message.str.starts_with(head)).then(pl.format("{}: " + sign + "{}{}", "label", new, rest))
    rest = message.str.slice(pl.col("old_label").str.len_chars())
    return (
        words.when(message.str.starts_with(pl.col("old_label"))).then(pl.concat_str("label", rest)).otherwise(message)
    )


def _rows_with_codes(rows: RejectedRows, file: str, search: NameSearch, tables: dict[str, Any]) -> RejectedRows:
    """Rejected rows with names replaced; lines that could not be split into cells are left out."""
    if rows.suffix != ".csv":
        lines = f"{rows.text.count(chr(10)):,} lines that could not be read are {NOT_SHOWN}.\n"
        return replace(rows, file=file, text=lines)
    csv.field_size_limit(max(csv.field_size_limit(), len(rows.text)))
    table = list(csv.reader(io.StringIO(rows.text, newline="")))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([search.hide(heading) for heading in table[0]])
    for cells in table[1:]:
        fields = chain(rows.fields, repeat(""))
        writer.writerow([_hidden_cell(cell, field, search) for cell, field in zip(cells, fields, strict=False)])
    return with_reasons(replace(rows, file=file, text=text.getvalue()), tables["set_aside"])


def _hidden_cell(cell: str, field: str, search: NameSearch) -> str:
    if field in PEOPLE_COLUMNS:
        return search.hide_person(cell)
    return cell if normalise(cell) in LEVELS.get(field, ()) else search.hide(cell)
