"""Every row set aside and every value blanked, in the words of set_aside.csv."""

from __future__ import annotations

from typing import Any

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake.deduplicate import ID_KEYS, ROW_INDEX, CombinedTable, Deduplicated, FilePart
from analysis.intake.mapping.mapping import FIELDS, OwnColumn
from analysis.intake.readers.limits import NAME_CHARACTERS
from analysis.intake.readers.raw_table import ROW, RawTable
from analysis.intake.validate import FIRST_DAY, Validated
from schemas import empty, validate_table
from schemas.intermediate import Links
from schemas.outputs import SetAside

COLUMNS = ("file", "row", "table", "column", "heading", "rule", "value", "action", "message")


def rejections(deduplicated: Deduplicated, validated: Validated) -> pl.DataFrame:
    """The reasons of one table's rows and values, with the cell as it stood."""
    combined, table = deduplicated.combined, deduplicated.combined.table
    parts = [
        *(_broken(part.raw, table) for part in combined.parts),
        _copies_or_conflicts(combined, deduplicated.copies, "exact_copy", "duplicate"),
        _copies_or_conflicts(combined, deduplicated.conflicts, "two_contents", "row_set_aside"),
        _reasons(combined, validated.row_reasons, "row_set_aside"),
        _reasons(combined, validated.blanked, "value_blanked"),
    ]
    return pl.concat(parts)


def unlinked_returns(comebacks: pl.DataFrame, links: DataFrame[Links]) -> pl.DataFrame:
    """Accepted returns that found no bleed."""
    alone = links.filter(pl.col("session_id").is_null()).select("comeback_id")
    rows = comebacks.join(alone, on="comeback_id", how="semi")
    message = "no accepted bleed of that bike and brake stands before it, or the bleed it names is not one of them"
    return rows.select(
        "file", "row", table=pl.lit("comebacks"), column=pl.lit(None, pl.String), heading=pl.lit(None, pl.String),
        rule=pl.lit("no_bleed_found"), value="comeback_id", action=pl.lit("unlinked"), message=pl.lit(message),
    ).select(COLUMNS)  # fmt: skip


def set_aside_table(parts: list[pl.DataFrame]) -> DataFrame[SetAside]:
    """All reasons, sorted by file, row and column."""
    table = pl.concat([empty(SetAside), *parts])
    return validate_table(SetAside, table.sort("file", "table", "row", "column", "rule", nulls_last=True))


def _broken(raw: RawTable, table: str) -> pl.DataFrame:
    return raw.broken.select(
        file=pl.lit(raw.file), row=pl.col(ROW), table=pl.lit(table), column=pl.lit(None, pl.String),
        heading=pl.lit(None, pl.String), rule=pl.lit("unreadable_row"), value=pl.col("text"),
        action=pl.lit("row_set_aside"), message=pl.col("reason"),
    ).select(COLUMNS)  # fmt: skip


def _copies_or_conflicts(combined: CombinedTable, mask: pl.Series, rule: str, action: str) -> pl.DataFrame:
    keys = [key for key in ID_KEYS[combined.table] if key in combined.frame.columns]
    messages = {
        "exact_copy": "the same row stands earlier; the first is kept",
        "two_contents": "two rows have this id and say different things; both are set aside",
    }
    rows = combined.frame.filter(mask)
    value = pl.concat_str([pl.col(key).cast(pl.String) for key in keys], separator=" ") if keys else pl.lit(None)
    rows = rows.with_columns(value=value.cast(pl.String))
    column = keys[0] if keys else None
    reasons = rows.select(ROW_INDEX, ROW, "value", column=pl.lit(column, pl.String), rule=pl.lit(rule))
    return _with_location(combined, reasons, action, pl.lit(messages[rule]))


def _reasons(combined: CombinedTable, reasons: pl.DataFrame, action: str) -> pl.DataFrame:
    """Each reason beside the cell as it stood."""
    if reasons.is_empty():
        return _with_location(combined, reasons.with_columns(value=pl.lit(None, pl.String)), action, pl.lit(""))
    parts = []
    for (name,), own in reasons.group_by("column", maintain_order=True):
        column = str(name)
        text = combined.texts(column) if column in combined.fields else pl.lit(None, pl.String)
        cells = combined.frame.select(ROW_INDEX, ROW).with_columns(value=text)
        parts.append(own.join(cells, on=[ROW_INDEX, ROW], how="left", maintain_order="left"))
    return _with_location(combined, pl.concat(parts), action, _message(combined))


def _with_location(combined: CombinedTable, reasons: pl.DataFrame, action: str, message: pl.Expr) -> pl.DataFrame:
    files = pl.DataFrame(
        {ROW_INDEX: range(len(combined.parts)), "file": [part.raw.file for part in combined.parts]},
        schema_overrides={ROW_INDEX: pl.Int64},
    )
    headings = _headings(combined.parts)
    located = reasons.join(files, on=ROW_INDEX, how="left").join(headings, on=[ROW_INDEX, "column"], how="left")
    return located.select(
        "file", row=pl.col(ROW), table=pl.lit(combined.table), column="column", heading="heading", rule="rule",
        value="value", action=pl.lit(action), message=message,
    ).select(COLUMNS)  # fmt: skip


def _headings(parts: tuple[FilePart, ...]) -> pl.DataFrame:
    rows = [(i, field, heading) for i, part in enumerate(parts) for field, heading in part.heading_of.items()]
    return pl.DataFrame(rows, schema={ROW_INDEX: pl.Int64, "column": pl.String, "heading": pl.String}, orient="row")


def _message(combined: CombinedTable) -> pl.Expr:
    """In words, with the range or the levels the cell should have kept to."""
    entries = FIELDS[combined.table].items()
    own = [(f"own.{column.name}", column) for part in combined.parts for column in part.table_map.own]
    ranges = {name: _allowed(entry.range, entry.unit) for name, entry in entries}
    ranges |= {name: _allowed(_between(column), column.unit) for name, column in own}
    kinds = {name: entry.type for name, entry in entries} | {name: column.type for name, column in own}
    column, value = pl.col("column"), pl.col("value").str.slice(0, 60).fill_null("")
    length = pl.col("value").str.len_chars()
    allowed = column.replace_strict(ranges, default="its range", return_dtype=pl.String)
    kind = column.replace_strict(kinds, default="its type", return_dtype=pl.String)
    by_rule = {
        "required_missing": pl.concat_str(column, pl.lit(" must be filled")),
        "unreadable": pl.concat_str(column, pl.lit(": '"), value, pl.lit("' does not read as "), kind),
        "out_of_range": pl.concat_str(column, pl.lit(": "), value, pl.lit(" is outside "), allowed),
        "unknown_level": pl.concat_str(column, pl.lit(": '"), value, pl.lit("' is none of "), allowed),
        "too_long": pl.format("{}: {} characters, at most {} are a name", column, length, pl.lit(NAME_CHARACTERS)),
        "after_as_of": pl.concat_str(column, pl.lit(": "), value, pl.lit(" is after the as-of date")),
    }
    moments = column.is_in(["started_at", "returned_at"]) & (pl.col("rule") == "out_of_range")
    words: Any = pl.when(moments).then(pl.concat_str(column, pl.lit(": "), value, pl.lit(f" is before {FIRST_DAY}")))
    for rule, message in by_rule.items():
        words = words.when(pl.col("rule") == rule).then(message)
    return words.otherwise(pl.lit("not accepted"))


def _between(column: OwnColumn) -> str:
    if column.low is not None and column.high is not None:
        return f"{column.low:g} to {column.high:g}"
    return (
        f"{column.low:g} or more"
        if column.low is not None
        else f"{column.high:g} or less"
        if column.high is not None
        else ""
    )


def _allowed(allowed: str, unit: str) -> str:
    """A range with its unit, where the unit says more than the number."""
    return allowed if unit in ("", "fraction", "currency") else f"{allowed} {unit}"
