"""Reasons for every rejected row, blanked value, duplicate and unmatched return, and the rejected rows as in their file."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import Any

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake.bleed_log import RejectedRows
from analysis.intake.convert.cleaned_text import remove_guards
from analysis.intake.convert.numbers import Unit, unit_for
from analysis.intake.deduplicate import ID_KEYS, ROW_INDEX, SORTED_BY, CombinedTable, DeduplicatedTable, MappedTable
from analysis.intake.mapping.table_map import FIELDS
from analysis.intake.readers.limits import NAME_CHARACTERS
from analysis.intake.readers.raw_table import ROW, RawTable
from analysis.intake.validate import FIRST_DAY, MOMENTS, ValidationResult
from schemas import empty, validate_table
from schemas.intermediate import Links
from schemas.outputs import SetAside

COLUMNS = ("file", "row", "table", "column", "heading", "rule", "value", "action", "message")
DUPLICATE = "duplicate of an earlier row; the first is kept"
CONFLICT = "several rows share one ID but differ; all of them are rejected"
OUT_OF_SCOPE = (
    "is out of scope: a row is the bleed of one bicycle brake, front or rear; other vehicles, clutches and two brakes in "
    "one row are not covered"
)
UNMATCHED = "no earlier bleed of that bike and brake was found, or the bleed given in the row does not match"
_TYPE_NAMES = {
    "whole number": "a whole number", "number": "a number", "true/false": "yes or no", "text": "text",
    "date": "a date", "date or date-time": "a date",
}  # fmt: skip
_UNIT_NAMES = {"nm": "N·m", "in_lb": "in-lb", "fl_oz": "fl oz", "c": "°C", "f": "°F", "percent": "%", "fraction": ""}
_CONVERTIBLE = ("mm", "ml", "N·m", "°C", "fraction", "min", "s")
"""Units of fields for which an export may use another unit."""
_PLAIN_NUMBER, _NUMERIC_DATE = r"^[+-]?[\d.,'’\s]+$", r"^\d+[./-]\d+[./-]\d+"
_MAX_VALUE = 60
"""Characters of a cell quoted in a message."""
REASON_COLUMNS = ("rejected: file", "rejected: row", "rejected: rule", "rejected: reason")
"""Headings of the columns added after the row's own cells; they are ignored when the rows are imported again."""
_MAX_FIELD = 2**31 - 1
"""For the csv module, whose own limit of 131,072 characters is less than a cell may hold."""


def rejections(deduplicated: DeduplicatedTable, validated: ValidationResult) -> pl.DataFrame:
    """Every reason for one table's rows and values, with the cell as it is in the file."""
    combined, table = deduplicated.combined, deduplicated.combined.table
    parts = [
        *(_unreadable_lines(part.raw, table) for part in combined.parts if part.raw.broken.height),
        _repeated_rows(combined, deduplicated.copies, "exact_copy", "duplicate", DUPLICATE),
        _repeated_rows(combined, deduplicated.conflicts, "conflicting_copies", "row_set_aside", CONFLICT),
        _reasons_with_cells(combined, validated.row_reasons, "row_set_aside"),
        _reasons_with_cells(combined, validated.blanked, "value_blanked"),
    ]
    return pl.concat(parts)


def unmatched_returns(comebacks: pl.DataFrame, links: DataFrame[Links]) -> pl.DataFrame:
    """Accepted returns that could not be matched to a bleed."""
    unmatched = links.filter(pl.col("session_id").is_null()).select("comeback_id")
    rows = comebacks.join(unmatched, on="comeback_id", how="semi")
    return rows.select(
        "file", "row", table=pl.lit("comebacks"), column=pl.lit(None, pl.String), heading=pl.lit(None, pl.String),
        rule=pl.lit("no_bleed_found"), value="comeback_id", action=pl.lit("unlinked"), message=pl.lit(UNMATCHED),
    ).select(COLUMNS)  # fmt: skip


def rejection_table(parts: list[pl.DataFrame]) -> DataFrame[SetAside]:
    """All reasons, sorted by file, table, row and column."""
    table = pl.concat([empty(SetAside), *parts])
    return validate_table(SetAside, table.sort(SORTED_BY["set_aside"], nulls_last=True))


def _unreadable_lines(raw: RawTable, table: str) -> pl.DataFrame:
    return raw.broken.select(
        file=pl.lit(raw.file), row=pl.col(ROW), table=pl.lit(table), column=pl.lit(None, pl.String),
        heading=pl.lit(None, pl.String), rule=pl.lit("unreadable_row"), value=pl.col("text"),
        action=pl.lit("row_set_aside"), message=pl.col("reason"),
    ).select(COLUMNS)  # fmt: skip


def _repeated_rows(combined: CombinedTable, mask: pl.Series, rule: str, action: str, message: str) -> pl.DataFrame:
    keys = [key for key in ID_KEYS[combined.table] if key in combined.frame.columns]
    value = pl.concat_str([pl.col(key).cast(pl.String) for key in keys], separator=" ") if keys else pl.lit(None)
    rows = combined.frame.filter(mask).with_columns(value=value.cast(pl.String))
    column = pl.lit(keys[0] if keys else None, pl.String)
    reasons = rows.select(ROW_INDEX, ROW, "value", column=column, rule=pl.lit(rule))
    return _add_location(combined, reasons, action, pl.lit(message))


def _reasons_with_cells(combined: CombinedTable, reasons: pl.DataFrame, action: str) -> pl.DataFrame:
    """Each reason with the cell as it is in the file."""
    if reasons.is_empty():
        return _add_location(combined, reasons.with_columns(value=pl.lit(None, pl.String)), action, pl.lit(""))
    parts = []
    for (name,), own in reasons.group_by("column", maintain_order=True):
        column = str(name)
        text = combined.texts(column) if column in combined.fields else pl.lit(None, pl.String)
        cells = combined.frame.select(ROW_INDEX, ROW).with_columns(value=text)
        parts.append(own.join(cells, on=[ROW_INDEX, ROW], how="left", maintain_order="left"))
    return _add_location(combined, pl.concat(parts), action, _reason_message(combined.table))


def _add_location(combined: CombinedTable, reasons: pl.DataFrame, action: str, message: pl.Expr) -> pl.DataFrame:
    files = pl.DataFrame(
        {ROW_INDEX: range(len(combined.parts)), "file": [part.raw.file for part in combined.parts]},
        schema_overrides={ROW_INDEX: pl.Int64},
    )
    located = reasons.join(files, on=ROW_INDEX, how="left").join(
        _field_texts(combined), on=[ROW_INDEX, "column"], how="left"
    )
    return located.select(
        "file", row=pl.col(ROW), table=pl.lit(combined.table), column="column", heading="heading", rule="rule",
        value="value", action=pl.lit(action), message=message,
    ).select(COLUMNS)  # fmt: skip


def _field_texts(combined: CombinedTable) -> pl.DataFrame:
    """For each file and field: its heading, unit and limits in that file's unit, its type in words, and its own unit."""
    names = ("heading", "unit", "allowed", "kind", "canonical")
    rows = [
        (place, field, *texts)
        for place, part in enumerate(combined.parts)
        for field, *texts in (*_mapped_field_rows(part), *_own_field_rows(part))
    ]
    schema = {ROW_INDEX: pl.Int64, "column": pl.String} | dict.fromkeys(names, pl.String)
    return pl.DataFrame(rows, schema=schema, orient="row")


def _mapped_field_rows(part: MappedTable) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for column in part.table_map.columns:
        entry = FIELDS[part.table_map.table][column.field]
        unit = unit_for(column.unit, entry.unit) if column.unit else None
        allowed = ", ".join(entry.levels) or _limits_text(entry.low, entry.high, entry.unit, unit)
        unit_name = _UNIT_NAMES.get(unit.name, unit.name) if unit else ""
        rows.append((column.field, column.heading, unit_name, allowed, _TYPE_NAMES[entry.type], entry.unit))
    return rows


def _own_field_rows(part: MappedTable) -> list[tuple[str, ...]]:
    return [
        (f"own.{c.name}", c.heading, "", _limits_text(c.low, c.high, c.unit), _TYPE_NAMES[c.type], "")
        for c in part.table_map.own
    ]


def _limits_text(low: float | None, high: float | None, field_unit: str, unit: Unit | None = None) -> str:
    """Limits in words, in the unit of the file; no unit after a fraction or a sum of money."""
    name = _UNIT_NAMES.get(unit.name, unit.name) if unit else field_unit
    low_text, high_text = (_limit_in_unit(limit, unit) for limit in (low, high))
    words = f"{low_text} to {high_text}" if low_text and high_text else ""
    words = words or (f"{low_text} or more" if low_text else f"{high_text} or less" if high_text else "")
    return words if name in ("", "fraction", "currency") else f"{words} {name}"


def _limit_in_unit(limit: float | None, unit: Unit | None) -> str:
    if limit is None:
        return ""
    if unit is None:
        return f"{limit:g}"
    value = (limit - unit.offset) / unit.factor
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def _reason_message(table: str) -> pl.Expr:
    """The reason in words: heading, cell, what is allowed, and the line of the map that would change it.

    Only the beginning quotes the export, so that `output.pseudonyms` can put codes for names there.
    """
    label, raw_value = pl.coalesce("heading", "column"), pl.col("value")
    value = raw_value.str.slice(0, _MAX_VALUE).fill_null("")
    quoted, bare = pl.format("{}: '{}'", label, value), pl.format("{}: {}", label, value)
    by_rule: dict[str, pl.Expr] = {
        "required_missing": pl.when(raw_value.is_null())
        .then(pl.format("{} is empty", label))
        .otherwise(pl.format("{} means 'not recorded', but a value is required", quoted)),
        "unreadable": pl.format("{} is not {}{}", quoted, pl.col("kind").fill_null("readable"), _unread_remedy(table)),
        "out_of_range": pl.when(pl.col("column") == MOMENTS.get(table, ""))
        .then(pl.format("{} is before {}", bare, pl.lit(str(FIRST_DAY))))
        .otherwise(pl.format("{}{}", bare, _outside_limits_text(raw_value))),
        "unknown_level": pl.format(
            "{} is not one of: {}; if it means one of these, add it under [" + table + ".values.{}] in the map",
            *(quoted, pl.col("allowed").fill_null(""), "column"),
        ),
        "out_of_scope": pl.format("{} {}", quoted, pl.lit(OUT_OF_SCOPE)),
        "too_long": pl.format(
            "{}: {} characters, but a name may have at most {}",
            *(label, raw_value.str.len_chars(), pl.lit(NAME_CHARACTERS)),
        ),
        "after_as_of": pl.format(
            "{} is after the last day the exports cover; if the date is right, give a later --as-of", bare
        ),
    }
    words: Any = pl.when(False).then(pl.lit(""))
    for rule, message in by_rule.items():
        words = words.when(pl.col("rule") == rule).then(message)
    return words.otherwise(pl.lit("not accepted"))


def _outside_limits_text(value: pl.Expr) -> pl.Expr:
    """The unit of the cell, the limits in that unit, and where the map would give another unit."""
    has_unit = pl.col("unit").fill_null("") != ""
    unit = pl.when(has_unit & value.str.contains(_PLAIN_NUMBER)).then(pl.format(" {}", "unit")).otherwise(pl.lit(""))
    other = pl.format("; if it is in another unit, give the unit of {} in the map", "column")
    wrong = pl.format("; if that is the wrong unit, correct the unit of {} in the map", "column")
    convertible = pl.col("canonical").fill_null("").is_in(_CONVERTIBLE)
    remedy = pl.when(~convertible).then(pl.lit("")).when(has_unit).then(wrong).otherwise(other)
    return pl.format("{} is outside {}{}", unit, pl.col("allowed").fill_null("its limits"), remedy)


def _unread_remedy(table: str) -> pl.Expr:
    swapped = pl.lit(f"; if day and month are in another order, set date_order under [{table}] in the map")
    missing = pl.lit(f"; if it means 'not recorded', add it to missing under [{table}] in the map")
    is_date = pl.col("kind") == _TYPE_NAMES["date"]
    numeric = pl.col("value").str.contains(_NUMERIC_DATE).fill_null(False)
    return pl.when(is_date & numeric).then(swapped).when(is_date).then(pl.lit("")).otherwise(missing)


def with_reasons(rejected: RejectedRows, set_aside: pl.DataFrame) -> RejectedRows:
    """Add file, row, rules and reasons to each row; lines that could not be read are left as they are."""
    if rejected.suffix != ".csv":
        return rejected
    own = set_aside.filter(
        pl.col("file") == rejected.file, pl.col("table") == rejected.table, pl.col("action") == "row_set_aside"
    )
    by_row = own.group_by("row", maintain_order=True).agg(pl.col("rule", "message").str.join("; "))
    reasons = {row: texts for row, *texts in by_row.iter_rows()}
    csv.field_size_limit(_MAX_FIELD)
    lines = list(csv.reader(io.StringIO(rejected.text, newline="")))
    if tuple(lines[0][-len(REASON_COLUMNS) :]) == REASON_COLUMNS:  # rows imported again uncorrected
        lines = [cells[: -len(REASON_COLUMNS)] for cells in lines]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([*lines[0], *REASON_COLUMNS])
    for row, cells in zip(rejected.rows, lines[1:], strict=True):
        writer.writerow([*cells, rejected.file, row, *reasons.get(row, ("", ""))])
    return replace(rejected, text=text.getvalue())


def restore_formulas(raw: RawTable) -> RawTable:
    """Remove the apostrophes of `guard_formulas` from a table of rejected rows; other tables stay as they are."""
    if tuple(raw.headings[-len(REASON_COLUMNS) :]) != REASON_COLUMNS:
        return raw
    texts = [name for name in raw.headings if raw.cells.schema[name] == pl.String]
    cells = raw.cells.with_columns(remove_guards(pl.col(texts)))
    headings = dict(zip(raw.headings, remove_guards(pl.Series(raw.headings)), strict=True))
    return replace(raw, cells=cells.rename({old: new for old, new in headings.items() if new not in raw.headings}))


def rejected_rows(raw: RawTable, table: str, rows: pl.Series, heading_of: dict[str, str]) -> list[RejectedRows]:
    """Rejected rows of a file as CSV under the file's own headings, and its unreadable lines as text.

    `rows` are their numbers; `heading_of` has the file's heading for each field of the log.
    """
    field_of = {heading: field for field, heading in heading_of.items()}
    fields = tuple(field_of.get(heading, "") for heading in raw.headings)
    results = []
    if len(rows):
        rejected = raw.cells.filter(pl.col(ROW).is_in(rows.implode()))
        text = _csv_text(raw.headings, rejected.drop(ROW).select(pl.all().cast(pl.String)))
        results.append(RejectedRows(raw.file, table, text, ".csv", tuple(rejected.get_column(ROW)), fields))
    if raw.broken.height:
        lines = "\n".join(raw.broken.get_column("text").fill_null("")) + "\n"
        results.append(RejectedRows(raw.file, table, lines, ".txt"))
    return results


def _csv_text(headings: list[str], cells: pl.DataFrame) -> str:
    first_line = io.StringIO()
    csv.writer(first_line, lineterminator="\r\n").writerow(headings)
    # an empty cell of a single column is quoted, since a blank line would be no row
    empty = pl.all().fill_null("") if cells.width == 1 else pl.all().replace("", None)
    return first_line.getvalue() + cells.select(empty).write_csv(include_header=False, line_terminator="\r\n")
