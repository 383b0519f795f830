"""The analyst's board: where rows went, what is recorded, and how far the risks and intervals can be trusted."""

from __future__ import annotations

import json
from typing import Any

import altair as alt
import polars as pl

from analysis.boards.model_charts import model_charts, validation_charts
from analysis.boards.recording_flags import recording_flags_chart
from analysis.boards.selection import LETTERS, PERCENT, SMALL, inline_data, text_chart
from analysis.charts.own_look import with_built_in_look
from analysis.charts.theme import CHANCE, PLAIN, layer_charts, separate_scales, x_at, y_at
from analysis.report import Report
from schemas import LOG_TABLES, field_entries
from schemas.outputs import RULE_LABELS

WIDTH, FILE_PX, REASON_PX, SHARE_PX, FIELD_PX, ROW_PX = 850, 130, 130, 90, 330, 15
LABEL_PX = 250
MAX_FIELDS, MIN_FIELDS, MAX_REASONS, MAX_LABEL = 15, 3, 12, 40
COMPLETE, COMPLETE_MONTH = 0.95, 0.75
"""Shares recorded from which a field needs no bar: of all bleeds, and of the bleeds of every month (few in a small shop)."""
FIELD_ROLES = ("context", "technique", "sign")
ACTION_LABELS = {"row_set_aside": "row rejected", "value_blanked": "value blanked"}


@with_built_in_look
def analyst_board(report: Report) -> alt.ConcatChart:
    """The analyst's board as one chart: click a file to see why its rows were rejected, a field to see it by month.

    Parameters
    ----------
    report
        A finished audit; nothing is estimated here.
    """
    files = report.intake.get_column("file").unique().sort().to_list()
    fields = _least_complete_fields(report)
    file, field = _list_selection("file", "File", files), _list_selection("field", "Field", fields)
    rows = alt.vconcat(_rows_read_chart(report, file), _reasons_chart(report), spacing=14)
    if fields:
        months = alt.vconcat(
            _missing_by_month_chart(report, fields, field),
            _recorded_by_month_chart(report, fields),
            recording_flags_chart(report),
            spacing=14,
        )
        first = alt.hconcat(rows, _completeness_chart(report, fields, field), months, spacing=20)
    else:
        first = alt.hconcat(rows, text_chart("No optional field is recorded: see rebleed fields.", 330), spacing=20)
    second = alt.hconcat(*model_charts(report), *validation_charts(report), spacing=30)
    return alt.concat(
        first,
        second,
        _legend_chart(report),
        spacing=14,
        columns=1,
        align="none",
        params=[LETTERS],
        resolve=separate_scales("color", "shape", "x", "y"),
        title=alt.TitleParams("Data and model at a glance", fontSize=16),
        description="The analyst's board: rows by file and reason, fields recorded by month, how accurate the risks are",
    )


def distinct_names(files: list[str]) -> dict[str, str]:
    """A name that no other file has: its sheet or table, else its file name, else its path below what all share."""
    shared = _common_parent_folder(files)
    candidates = [
        {file: file.rpartition("#")[2].rpartition("/")[2] for file in files},
        {file: file.rpartition("/")[2] for file in files},
        {file: file[len(shared) :] for file in files},
    ]
    names = next((one for one in candidates if len(set(one.values())) == len(files)), candidates[-1])
    return {file: name if len(name) <= MAX_LABEL else "…" + name[1 - MAX_LABEL :] for file, name in names.items()}


def _common_parent_folder(files: list[str]) -> str:
    first, last = min(files, default=""), max(files, default="")
    same = next((at for at, (one, other) in enumerate(zip(first, last, strict=False)) if one != other), 0)
    return first[: first.rfind("/", 0, same) + 1]


def _list_selection(name: str, label: str, options: list[str]) -> alt.Parameter:
    marks = ("", "_0", "_1", "_2")  # Altair numbers the names of charts that carry a parameter
    clicks = ", ".join(f"@{name}_dots{at}_marks:click" for at in marks)
    bind = alt.binding_select(options=[None, *options], labels=["all", *options], name=f"{label} ")
    return alt.selection_point(name=name, fields=[name], on=clicks, bind=bind)


def _label_axis(limit: int = LABEL_PX, **more: Any) -> alt.Axis:
    """An axis of names, without a line."""
    return alt.Axis(labelLimit=limit, labelPadding=4, ticks=False, domain=False, **SMALL, **more)


def _aligned_label_width(report: Report) -> dict[str, int]:
    """The width of labels where charts below each other must begin together."""
    return {} if report.set_aside.is_empty() else {"minExtent": LABEL_PX, "maxExtent": LABEL_PX}


def _rows_read_chart(report: Report, file: alt.Parameter) -> Any:
    """Rows read from each file, with how many were not accepted."""
    names = distinct_names(report.intake.get_column("file").unique().to_list())
    counts = report.intake.group_by("file", maintain_order=True).agg(
        read=pl.col("rows_read").sum(), accepted=pl.col("accepted").sum(),
        other=(pl.col("set_aside") + pl.col("duplicates")).sum(),
    )  # fmt: skip
    table = counts.sort("file").with_columns(
        label=pl.col("file").replace(names),
        words=pl.when(pl.col("other") > 0).then(pl.format("{} not accepted", "other")).otherwise(pl.lit("")),
    )
    base = alt.Chart(inline_data(table.to_dicts())).encode(
        y=alt.Y("label:N", sort=None, title=None, axis=_label_axis(**_aligned_label_width(report))),
        opacity=alt.condition(file, alt.value(1), alt.value(0.3)),
    )
    bars = (
        base.mark_bar(color=CHANCE)
        .encode(
            x=alt.X("read:Q", title=None, axis=alt.Axis(tickCount=3, **SMALL)),
            tooltip=[
                alt.Tooltip("file:N"), alt.Tooltip("read:Q", title="rows read"), alt.Tooltip("accepted:Q"),
                alt.Tooltip("other:Q", title="rejected or exact duplicate"),
            ],
        )
        .properties(name="file_dots")
        .add_params(file)
    )  # fmt: skip
    words = base.mark_text(aria=False, align="left", dx=4, fontSize=11).encode(x="read:Q", text="words:N")
    return layer_charts(
        bars, words, width=FILE_PX, height=ROW_PX * max(table.height, 1), title="Rows read from each file"
    )


def _reasons_chart(report: Report) -> Any:
    """Why rows were rejected and values blanked, most frequent first, for the chosen file."""
    counts = report.set_aside.group_by("file", "rule", "action", maintain_order=True).len()
    if counts.is_empty():
        return text_chart("No row was rejected and no value blanked.", LABEL_PX + REASON_PX)
    action = pl.col("action").replace(ACTION_LABELS)
    obvious = pl.col("action").is_in(["duplicate", "unlinked"])
    rule = pl.col("rule").replace(RULE_LABELS)
    rows = (
        counts.with_columns(reason=pl.when(obvious).then(rule).otherwise(pl.format("{}: {}", rule, action)))
        .with_columns(total=pl.col("len").sum().over("reason"))
        .sort("total", "reason", "file", descending=[True, False, False])
    )
    reasons = rows.get_column("reason").unique(maintain_order=True).head(MAX_REASONS)
    rows = rows.filter(pl.col("reason").is_in(reasons.implode())).select("file", "reason", "len")
    base = (
        alt.Chart(inline_data(rows.to_dicts()))
        .transform_filter("!isValid(file_file) || datum.file === file_file")
        .transform_aggregate(count="sum(len)", groupby=["reason"])
        .encode(
            y=alt.Y("reason:N", sort=None, title=None, axis=_label_axis(**_aligned_label_width(report))),
            x=alt.X("count:Q", title=None, axis=alt.Axis(tickCount=3, tickMinStep=1, format="d", **SMALL)),
        )
    )
    bars = base.mark_bar(color=PLAIN).encode(
        tooltip=[alt.Tooltip("reason:N", title="reason"), alt.Tooltip("count:Q", title="count")]
    )
    words = base.mark_text(aria=False, align="left", dx=4, fontSize=11).encode(text="count:Q")
    with_reason = json.dumps(rows.get_column("file").unique().sort().to_list())
    none = (
        alt.Chart(inline_data([{"text": "Nothing rejected or blanked in this file."}]))
        .transform_filter(f"isValid(file_file) && indexof({with_reason}, file_file) < 0")
        .mark_text(aria=False, align="left", baseline="top", fontSize=11)
        .encode(text="text:N", x=x_at(2), y=y_at(2))
    )
    return layer_charts(
        bars,
        words,
        none,
        width=REASON_PX,
        height=ROW_PX * len(reasons),
        title="Why rows were rejected or values blanked",
    )


def _recordable_field_labels() -> dict[str, str]:
    """Labels of the fields of a bleed that a shop may record, by name."""
    return {
        entry.name: entry.label
        for entry in field_entries("sessions", LOG_TABLES["sessions"])
        if entry.role in FIELD_ROLES and not entry.required
    }


def _shares_recorded(report: Report) -> dict[str, float]:
    """Share of bleeds with each field that is recorded at all, by its label, the least complete first."""
    bleeds, labels = report.log.sessions, _recordable_field_labels()
    counts = {labels[name]: bleeds.get_column(name).count() for name in labels}
    recorded = sorted((count, label) for label, count in counts.items() if count)
    return {label: count / bleeds.height for count, label in recorded}


def _least_complete_fields(report: Report) -> list[str]:
    """Labels of the fields with gaps worth a bar, the least complete first; at least three of those recorded at all."""
    shares = _shares_recorded(report)
    worst_months = _monthly_completeness(report, [*shares]).group_by("field").agg(pl.col("share").min())
    worst = dict(worst_months.iter_rows())
    gaps = [label for label in shares if shares[label] < COMPLETE or worst[label] < COMPLETE_MONTH]
    return (gaps if len(gaps) >= MIN_FIELDS else [*shares][:MIN_FIELDS])[:MAX_FIELDS]


def _other_fields_text(report: Report, fields: list[str]) -> str:
    """How far the fields without a bar are recorded."""
    others = [share for label, share in _shares_recorded(report).items() if label not in fields]
    if not others:
        return ""
    lo, hi = (f"{share:.0%}" for share in (min(others), max(others)))
    return f"{len(others)} more fields: {lo if lo == hi else f'{lo[:-1]}–{hi}'}"


def _monthly_completeness(report: Report, fields: list[str]) -> pl.DataFrame:
    """Bleeds and how many have each field, by month."""
    names = {label: name for name, label in _recordable_field_labels().items()}
    table = report.data.bleeds.group_by("month", maintain_order=True).agg(
        pl.len().alias("bleeds"), *(pl.col(names[label]).count().alias(label) for label in fields)
    )
    return (
        table.unpivot(on=fields, index=["month", "bleeds"], variable_name="field", value_name="recorded")
        .with_columns(share=pl.col("recorded") / pl.col("bleeds"), missing=1 - pl.col("recorded") / pl.col("bleeds"))
        .sort("field", "month")
    )


def _completeness_chart(report: Report, fields: list[str], field: alt.Parameter) -> Any:
    """Share recorded of each field, all months together."""
    totals = (
        _monthly_completeness(report, fields)
        .group_by("field", maintain_order=True)
        .agg(pl.col("bleeds").sum(), pl.col("recorded").sum())
    )
    rows = totals.with_columns(share=pl.col("recorded") / pl.col("bleeds")).to_dicts()
    base = alt.Chart(inline_data(rows)).encode(
        y=alt.Y("field:N", sort=fields, title=None, axis=_label_axis()),
        opacity=alt.condition(field, alt.value(1), alt.value(0.3)),
    )
    bars = (
        base.mark_bar(color=PLAIN, height=8)
        .encode(
            x=alt.X("share:Q", scale=alt.Scale(domain=[0, 1]), axis=PERCENT, title=None),
            tooltip=[alt.Tooltip("field:N"), alt.Tooltip("share:Q", format=".1%", title="recorded"), alt.Tooltip("recorded:Q", title="bleeds with it recorded"), alt.Tooltip("bleeds:Q", title="of bleeds")],
        )
        .properties(name="field_dots")
        .add_params(field)
    )  # fmt: skip
    words = base.mark_text(aria=False, align="left", dx=4, fontSize=11).encode(
        x="share:Q", text=alt.Text("share:Q", format=".0%")
    )
    others = _other_fields_text(report, fields)
    title = alt.TitleParams("Least complete fields", subtitle=others or alt.Undefined)
    return layer_charts(bars, words, width=SHARE_PX, height=ROW_PX * max(len(fields), 1), title=title)


def _month_axis(report: Report) -> alt.X:
    months = report.data.bleeds.get_column("month").unique().sort().to_list()
    every = max(1, -(-len(months) // 5))
    axis = alt.Axis(values=months[::every], labelAngle=0, title=None, **SMALL)
    return alt.X("month:O", axis=axis, scale=alt.Scale(domain=months))


MONTH_TIPS = [
    alt.Tooltip("field:N"), alt.Tooltip("month:O"), alt.Tooltip("share:Q", format=".1%", title="recorded"),
    alt.Tooltip("recorded:Q", title="bleeds with it recorded"), alt.Tooltip("bleeds:Q", title="of bleeds"),
]  # fmt: skip


def _missing_by_month_chart(report: Report, fields: list[str], field: alt.Parameter) -> Any:
    """Where each field is missing: a square for each month, the larger the more bleeds lack it."""
    table = _monthly_completeness(report, fields).filter(pl.col("missing") > 0)
    return (
        alt.Chart(inline_data(table.to_dicts()), width=FIELD_PX, height=ROW_PX * max(len(fields), 1), name="field_dots",
                  title="Share missing, by field and month")
        .mark_square(color=PLAIN)
        .encode(
            x=_month_axis(report).copy(),
            y=alt.Y("field:N", sort=fields, scale=alt.Scale(domain=fields), title=None, axis=_label_axis(labels=False)),
            size=alt.Size("missing:Q", scale=alt.Scale(domain=[0, 1], range=[0, 170]), legend=None),
            opacity=alt.condition(field, alt.value(1), alt.value(0.2)),
            tooltip=MONTH_TIPS,
        )
    )  # fmt: skip


def _recorded_by_month_chart(report: Report, fields: list[str]) -> Any:
    """Share recorded by month: the chosen field, or all of these together."""
    return (
        alt.Chart(inline_data(_monthly_completeness(report, fields).to_dicts()))
        .transform_filter("!isValid(field_field) || datum.field === field_field")
        .transform_calculate(line="isValid(field_field) ? field_field : 'all of these together'")
        .transform_aggregate(recorded="sum(recorded)", bleeds="sum(bleeds)", groupby=["line", "month"])
        .transform_calculate(share="datum.recorded / datum.bleeds")
        .mark_line(aria=False, color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN, size=16))
        .encode(
            x=_month_axis(report),
            y=alt.Y("share:Q", scale=alt.Scale(domain=[0, 1]), axis=PERCENT, title=None),
            tooltip=[alt.Tooltip("line:N", title="field"), *MONTH_TIPS[1:]],
        )
        .properties(width=FIELD_PX, height=60, title="Share recorded: the selected field, or all of these together")
    )


def _legend_chart(report: Report) -> Any:
    words = "Counted: grey bars are rows read; slate bars are rows and values not accepted; a larger ■ means more is missing."
    if not report.model.is_empty():
        words += " Tested on later bleeds: ● the model with its 95% interval, ◆ another model, dashed line perfect calibration."
    return text_chart(words, WIDTH, name="legend")
