"""The analyst's board: where rows went, what is recorded, and how far the risks and intervals can be trusted."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from analysis.boards.selection import inline_data
from analysis.charts.own_look import with_own_look
from analysis.charts.theme import CHANCE, HIGH, PLAIN, layer_charts
from analysis.report import Report
from schemas import LOG_TABLES, dictionary

WIDTH, FILE_PX, REASON_PX, FIELD_PX, MODEL_PX, ROW_PX = 900, 190, 190, 480, 200, 15
MAX_FIELDS, MAX_REASONS, DECILE, QUARTER = 20, 12, "observed_in_tenth_", "quarter_"
FIELD_ROLES = ("context", "technique", "sign")
SMALL: Any = {"labelFontSize": 11, "titleFontSize": 11}
PERCENT = alt.Axis(format=".0%", tickCount=4, **SMALL)
REASON_WORDS = {"two_contents": "same ID, conflicting data", "exact_copy": "exact duplicate"}


@with_own_look
def analyst_board(report: Report) -> alt.ConcatChart:
    """The analyst's board, one chart: click a file to see its reasons, a field to see it by month.

    Parameters
    ----------
    report
        What the audit found; nothing is estimated here.
    """
    files = report.intake.get_column("file").unique().sort().to_list()
    fields = _fields(report)
    file, field = _choice("file", "File", files), _choice("field", "Field", fields)
    rows = alt.vconcat(_rows(report, file), _reasons(report), spacing=14)
    first = alt.hconcat(rows, _recorded(report, fields, field), _by_month(report, fields), spacing=20)
    second = alt.hconcat(*_model(report), *_coverage(report), spacing=26)
    board = alt.concat(first, second, _legend(), spacing=14, columns=1, align="none")
    return board.resolve_scale(color="independent", shape="independent", x="independent", y="independent").properties(
        title=alt.TitleParams("Data and model at a glance", fontSize=16),
        description="The analyst's board: rows by file and reason, fields recorded by month, how good the risks are",
    )


def _choice(name: str, label: str, options: list[str]) -> alt.Parameter:
    clicks = ", ".join(f"@{name}_dots{at}_marks:click" for at in ("", "_0", "_1"))
    bind = alt.binding_select(options=[None, *options], labels=["all", *options], name=f"{label} ")
    return alt.selection_point(name=name, fields=[name], on=clicks, bind=bind)


def _rows(report: Report, file: alt.Parameter) -> Any:
    """Rows accepted and not accepted, by file."""
    counts = report.intake.group_by("file", maintain_order=True).agg(
        accepted=pl.col("accepted").sum(), other=(pl.col("set_aside") + pl.col("duplicates")).sum()
    ).sort("file")  # fmt: skip
    rows = [
        {"file": name, "what": what, "rows": n, "of": good + bad}
        for name, good, bad in counts.iter_rows()
        for what, n in (("accepted", good), ("rejected or duplicate", bad))
    ]
    return (
        alt.Chart(inline_data(rows), width=FILE_PX, height=ROW_PX * max(counts.height, 1), name="file_dots",
                  title="Rows read, by file")
        .mark_bar()
        .encode(
            y=alt.Y("file:N", title=None, axis=alt.Axis(labelLimit=150, ticks=False, domain=False, **SMALL)),
            x=alt.X("rows:Q", title=None, axis=alt.Axis(tickCount=3, **SMALL)),
            color=alt.Color("what:N", scale=alt.Scale(domain=["accepted", "rejected or duplicate"], range=[CHANCE, HIGH]), legend=None),
            opacity=alt.condition(file, alt.value(1), alt.value(0.3)),
            tooltip=[alt.Tooltip("file:N"), alt.Tooltip("what:N", title="rows"), alt.Tooltip("rows:Q", title="count"), alt.Tooltip("of:Q", title="of rows read")],
        )
        .add_params(file)
    )  # fmt: skip


def _reasons(report: Report) -> Any:
    """Why rows were rejected and values blanked, most frequent first, for the chosen file."""
    table = (
        report.set_aside.group_by("file", "rule", "action", maintain_order=True)
        .len()
        .sort("len", "file", "rule", "action", descending=[True, False, False, False])
    )
    rows = [
        {"file": file, "reason": REASON_WORDS.get(rule, rule.replace("_", " ")), "what": action.replace("_", " "), "count": n}
        for file, rule, action, n in table.iter_rows()
    ]  # fmt: skip
    reasons = min(len({row["reason"] for row in rows}), MAX_REASONS)
    return (
        alt.Chart(inline_data(rows), width=REASON_PX, height=ROW_PX * max(reasons, 1),
                  title="Why rows were rejected or values blanked")
        .transform_filter("!isValid(file_file) || datum.file === file_file")
        .mark_bar(color=PLAIN)
        .encode(
            y=alt.Y("reason:N", sort="-x", title=None, axis=alt.Axis(labelLimit=190, ticks=False, domain=False, **SMALL)),
            x=alt.X("sum(count):Q", title=None, axis=alt.Axis(tickCount=3, **SMALL)),
            tooltip=[alt.Tooltip("reason:N", title="reason"), alt.Tooltip("sum(count):Q", title="count")],
        )
    )  # fmt: skip


def _entries(report: Report) -> dict[str, str]:
    """Fields of a bleed that a shop may record, in words, by name."""
    return {
        entry.name: entry.name.replace("_", " ")
        for entry in dictionary("sessions", LOG_TABLES["sessions"])
        if entry.role in FIELD_ROLES and not entry.required
    }


def _fields(report: Report) -> list[str]:
    """The least completely recorded fields that are recorded at all, in words, the least complete first."""
    bleeds, words = report.log.sessions, _entries(report)
    shares = {words[name]: bleeds.get_column(name).count() for name in words if bleeds.get_column(name).count()}
    return sorted(shares, key=lambda word: (shares[word], word))[:MAX_FIELDS]


def _monthly(report: Report, fields: list[str]) -> pl.DataFrame:
    """Bleeds and how many have each field, by month."""
    names = {word: name for name, word in _entries(report).items()}
    table = report.data.bleeds.group_by("month", maintain_order=True).agg(
        pl.len().alias("bleeds"), *(pl.col(names[word]).count().alias(word) for word in fields)
    )
    return table.unpivot(on=fields, index=["month", "bleeds"], variable_name="field", value_name="recorded").sort(
        "field", "month"
    )


def _recorded(report: Report, fields: list[str], field: alt.Parameter) -> Any:
    """Share recorded of each field, all months together."""
    totals = (
        _monthly(report, fields)
        .group_by("field", maintain_order=True)
        .agg(pl.col("bleeds").sum(), pl.col("recorded").sum())
    )
    rows = totals.with_columns(share=pl.col("recorded") / pl.col("bleeds")).to_dicts()
    return (
        alt.Chart(inline_data(rows), width=120, height=ROW_PX * max(len(fields), 1), name="field_dots",
                  title="Least completely recorded")
        .mark_bar(color=PLAIN, height=8)
        .encode(
            y=alt.Y("field:N", sort=fields, title=None, axis=alt.Axis(labelLimit=170, ticks=False, domain=False, **SMALL)),
            x=alt.X("share:Q", scale=alt.Scale(domain=[0, 1]), axis=PERCENT, title=None),
            opacity=alt.condition(field, alt.value(1), alt.value(0.3)),
            tooltip=[alt.Tooltip("field:N"), alt.Tooltip("share:Q", format=".1%", title="recorded"), alt.Tooltip("recorded:Q", title="bleeds with it"), alt.Tooltip("bleeds:Q", title="of bleeds")],
        )
        .add_params(field)
    )  # fmt: skip


def _by_month(report: Report, fields: list[str]) -> Any:
    """Share recorded by month: the chosen field, or a line for each."""
    table = _monthly(report, fields).with_columns(share=pl.col("recorded") / pl.col("bleeds"))
    months = table.get_column("month").unique().sort().to_list()
    every = max(1, -(-len(months) // 6))
    visible = alt.Axis(values=months[::every], labelAngle=0, title=None, **SMALL)
    base = alt.Chart(inline_data(table.to_dicts())).transform_filter(
        "!isValid(field_field) || datum.field === field_field"
    )
    return (
        base.mark_line(aria=False, color=PLAIN, point=alt.OverlayMarkDef(color=PLAIN, size=14), opacity=0.8)
        .encode(
            x=alt.X("month:O", axis=visible, scale=alt.Scale(domain=months)),
            y=alt.Y("share:Q", scale=alt.Scale(domain=[0, 1]), axis=PERCENT, title=None),
            detail="field:N",
            tooltip=[alt.Tooltip("field:N"), alt.Tooltip("month:O"), alt.Tooltip("share:Q", format=".1%", title="recorded"), alt.Tooltip("bleeds:Q", title="of bleeds")],
        )
        .properties(width=FIELD_PX, height=ROW_PX * max(len(fields), 10), title="Share recorded by month: the chosen field, or all of these")
    )  # fmt: skip


def _model(report: Report) -> list[Any]:
    """Observed over predicted by quarter, calibration by decile, and discrimination against simple rules."""
    if report.model.is_empty():
        words = [{"text": "No risk model in this run: too few comebacks, or no later bleeds to test one on."}]
        return [
            alt.Chart(inline_data(words), width=500, height=20).mark_text(align="left", fontSize=13).encode(
                text="text:N", x=alt.value(0)
            )
        ]  # fmt: skip
    return [_over_time(report), _calibration(report), _discrimination(report)]


def _over_time(report: Report) -> Any:
    table = report.model.filter(pl.col("metric").str.starts_with(QUARTER)).select(
        "value", "lo", "hi", quarter=pl.col("metric").str.strip_prefix(QUARTER).str.replace("-", " ")
    )
    base = alt.Chart(inline_data(table.to_dicts()), width=MODEL_PX + 40, height=130)
    x = alt.X("quarter:O", title=None, axis=alt.Axis(labelAngle=-40, **SMALL))
    tips = [
        alt.Tooltip("quarter:O"),
        *(
            alt.Tooltip(f"{n}:Q", format=".2f", title=w)
            for n, w in (("value", "observed / predicted"), ("lo", "from"), ("hi", "to"))
        ),
    ]
    scale = alt.Scale(domain=[0, 3], clamp=True)
    one = (
        alt.Chart(inline_data([{"y": 1}]))
        .mark_rule(aria=False, color=CHANCE, strokeDash=[4, 3])
        .encode(y=alt.Y("y:Q", scale=scale))
    )
    rules = base.mark_rule(aria=False, color=PLAIN).encode(
        x=x, y=alt.Y("lo:Q", scale=scale, title=None, axis=alt.Axis(tickCount=4, **SMALL)), y2=alt.Y2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=50, color=PLAIN, opacity=1).encode(
        x=x, y=alt.Y("value:Q", scale=scale), tooltip=tips
    )
    return layer_charts(one, rules, dots).properties(title="Comebacks observed / predicted, by quarter")


def _calibration(report: Report) -> Any:
    table = report.model.filter(pl.col("metric").str.starts_with(DECILE), pl.col("value").is_not_null()).select(
        "value", "lo", "hi", predicted="baseline"
    )
    top = max([0.05, *(value for value in (*table["hi"].drop_nulls(), *table["predicted"].drop_nulls()))])
    scale = alt.Scale(domain=[0, top], nice=False)
    base = alt.Chart(inline_data(table.to_dicts()), width=MODEL_PX, height=130)
    x = alt.X("predicted:Q", scale=scale, axis=PERCENT, title="predicted risk, by tenths of bleeds")
    tips = [
        alt.Tooltip(f"{n}:Q", format=".1%", title=w)
        for n, w in (("predicted", "predicted"), ("value", "came back"), ("lo", "from"), ("hi", "to"))
    ]
    line = (
        alt.Chart(inline_data([{"x": 0, "y": 0}, {"x": top, "y": top}]))
        .mark_line(aria=False, color=CHANCE, strokeDash=[4, 3])
        .encode(x=alt.X("x:Q", scale=scale), y=alt.Y("y:Q", scale=scale))
    )
    rules = base.mark_rule(aria=False, color=PLAIN).encode(
        x=x, y=alt.Y("lo:Q", scale=scale, axis=PERCENT, title=None), y2=alt.Y2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=45, color=PLAIN, opacity=1).encode(
        x=x, y=alt.Y("value:Q", scale=scale), tooltip=tips
    )
    return layer_charts(line, rules, dots).properties(title="Came back, against predicted")


def _discrimination(report: Report) -> Any:
    table = report.model.filter(pl.col("metric") == "auc", pl.col("baseline").is_not_null())
    rows = [
        {"what": "risks of this audit", "value": v, "lo": lo, "hi": hi, "own": True}
        for v, lo, hi in table.select("value", "lo", "hi").head(1).iter_rows()
    ]
    rows += [
        {"what": name, "value": value, "lo": None, "hi": None, "own": False}
        for value, name in table.select("baseline", "baseline_name").iter_rows()
    ]
    base = alt.Chart(inline_data(rows), width=MODEL_PX, height=22 * max(len(rows), 1)).encode(
        y=alt.Y("what:N", sort=None, title=None, axis=alt.Axis(labelLimit=130, **SMALL))
    )
    scale = alt.Scale(domain=[0.4, 1], clamp=True)
    x = alt.X(
        "value:Q",
        scale=scale,
        axis=alt.Axis(tickCount=4, **SMALL),
        title="AUC (0.5 is a coin toss)",
    )
    rules = (
        base.transform_filter("datum.own")
        .mark_rule(aria=False, color=PLAIN)
        .encode(x=alt.X("lo:Q", scale=scale), x2=alt.X2("hi:Q"))
    )
    dots = base.mark_point(filled=True, size=55, opacity=1).encode(
        x=x,
        color=alt.condition("datum.own", alt.value(PLAIN), alt.value(CHANCE)),
        shape=alt.condition("datum.own", alt.value("circle"), alt.value("diamond")),
        tooltip=[alt.Tooltip("what:N", title="what"), *(alt.Tooltip(f"{n}:Q", format=".3f", title=w) for n, w in (("value", "AUC"), ("lo", "from"), ("hi", "to")))],
    )  # fmt: skip
    return layer_charts(rules, dots).properties(title="Discrimination against simple rules")


def _coverage(report: Report) -> list[Any]:
    """Interval coverage and the other shares of a validation run, where there is one."""
    if report.proof is None or report.proof.filter("share").is_empty():
        return []
    rows = report.proof.filter("share").select("measure", "value", "lo", "hi", "met").head(12).to_dicts()
    base = alt.Chart(inline_data(rows), width=MODEL_PX, height=ROW_PX * len(rows)).encode(
        y=alt.Y("measure:N", sort=None, title=None, axis=alt.Axis(labelLimit=230, **SMALL))
    )
    rules = base.mark_rule(aria=False, color=CHANCE).encode(
        x=alt.X("lo:Q", axis=PERCENT, title=None), x2=alt.X2("hi:Q")
    )
    dots = base.mark_point(filled=True, size=45, opacity=1).encode(
        x=alt.X("value:Q"),
        color=alt.condition("datum.met", alt.value(PLAIN), alt.value(HIGH)),
        shape=alt.condition("datum.met", alt.value("circle"), alt.value("triangle-left")),
        tooltip=[alt.Tooltip("measure:N", title="measure"), *(alt.Tooltip(f"{n}:Q", format=".1%") for n in ("value", "lo", "hi"))],
    )  # fmt: skip
    return [layer_charts(rules, dots).properties(title="Validation on simulated workshops")]


def _legend() -> Any:
    words = (
        "Grey bars: rows accepted; red bars: rejected or duplicate.   ● with its 95% interval   ◊ a simple rule   "
        "dashed: what a perfect prediction would give"
    )
    return (
        alt.Chart(inline_data([{"text": words}]), name="legend", width=WIDTH, height=16)
        .mark_text(align="left", fontSize=11, baseline="top")
        .encode(text="text:N", x=alt.value(0), y=alt.value(0))
    )
