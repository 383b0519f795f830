"""What a board says before anyone selects, and what it carries."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import Any

import altair as alt
import polars as pl
import pytest

from analysis.boards import analyst_board, count_cells, lead_board, lead_figures, trainer_board
from analysis.charts import quick_composition, specification
from analysis.report import Report
from analysis.rounds import SAFETY_CHECKS, worthwhile_second_checks
from analysis.standard import RULE_FIELDS
from schemas import empty
from schemas.outputs import EarlySigns
from tests.pages.predicted import with_predictions
from tests.shops import report

WHAT_IF = {
    "scenario": "", "condition": "", "preventable_per_100": 1.0, "lo": 0.5, "hi": 1.5, "comebacks_per_year": 4.1, "minutes_per_year": 180.0,
    "parts_per_year": 0.0,
}  # fmt: skip


@pytest.fixture(scope="module")
def audited() -> Report:
    return with_predictions(report())


def test_a_check_pays_from_the_risk_at_which_it_costs_what_it_saves(audited) -> None:
    """By hand: 6 + 5 minutes a check that finds 70%, a comeback of 45 minutes; a fault needs the same parts either way."""
    per_comeback = {"comebacks_per_year": 2.0, "minutes_per_year": 90.0, "parts_per_year": 18.0}
    priced = replace(
        audited, costs=audited.costs.with_columns(pl.lit(v).alias(name) for name, v in per_comeback.items())
    )
    check = audited.standard.second_check
    assert (check.minutes, check.recall_minutes, check.sensitivity) == (6.0, 5.0, 0.7)
    assert priced.break_even_risk == pytest.approx(11 / (0.7 * 45))
    assert (
        worthwhile_second_checks(priced).height
        == int(priced.risk["on_worklist"].sum())
        == int(lead_figures(priced)[3].value)
    )


def without_fields(audited: Report, *names: str) -> Report:
    """The report of a log that never records these fields, and so has no recall."""
    sessions = audited.log.sessions
    empty_columns = (pl.lit(None, sessions.schema[name]).alias(name) for name in names)
    log = replace(audited.log, sessions=sessions.with_columns(empty_columns))
    return replace(audited, log=log, holds=audited.holds.clear())


def test_recalls_are_unknown_and_not_none_where_no_safety_field_is_recorded(audited) -> None:
    unknown = lead_figures(without_fields(audited, *(name for fields in RULE_FIELDS.values() for name in fields)))[0]
    assert unknown.value == "not known"
    partly = lead_figures(without_fields(audited, "leak_seen"))[0]
    assert (partly.value, partly.detail) == ("0", "not recorded: leaks")
    assert lead_figures(without_fields(audited))[0].detail == "none"
    assert SAFETY_CHECKS.keys() == RULE_FIELDS.keys()


def test_the_saving_is_that_of_the_steps_that_clearly_lead_to_comebacks(audited) -> None:
    ranked = audited.steps.filter(pl.col("rank").is_not_null()).sort("rank").get_column("step").head(2).to_list()
    for count in (0, 1, 2):
        clear = ranked[:count]
        verdict = pl.when(pl.col("step").is_in(clear)).then(pl.lit("costs_comebacks")).otherwise(pl.lit("no_sign"))
        row = pl.DataFrame([WHAT_IF | {"steps": " ".join(clear)}], schema=audited.what_if.schema)
        figure = lead_figures(replace(audited, steps=audited.steps.with_columns(verdict=verdict), what_if=row))[4]
        assert figure.value == ("about 3 h a year" if count else "not known")
        assert figure.detail.startswith("4 comebacks (2–6): ") == bool(count)
        assert ("two costliest" in figure.label) == (count != 1)


def test_without_returns_no_figure_is_a_rate(audited) -> None:
    nothing = {
        name: pl.lit(None, audited.data.bleeds.schema[name]) if name == "return_days" else pl.lit(False)
        for name in ("return_days", "came_back")
    }
    data = replace(audited.data, bleeds=audited.data.bleeds.with_columns(**nothing))
    unread = replace(audited, data=data, comebacks=0, log=replace(audited.log, has_comebacks_table=False))
    assert lead_figures(unread)[1].value == "no rate"
    assert lead_figures(unread)[2].value == "not known"
    assert count_cells(unread).table.get_column("followed").sum() == 0
    assert "no returns were read: no rate" in json.dumps(specification(lead_board(unread)))


@pytest.mark.parametrize("board", [lead_board, trainer_board, analyst_board])
def test_a_board_is_one_chart_with_named_parameters_and_one_legend(audited, board) -> None:
    with quick_composition():
        chart = specification(board(audited))
    names = {one["name"] for one in chart["params"]}
    expected = {
        lead_board: {"shop", "technician", "brake_model", "brake", "hose_route", "period"},
        trainer_board: {"technician", "step"},
        analyst_board: {"file", "field"},
    }
    assert expected[board] <= names
    assert [part.get("name") for part in chart["concat"]].count("legend") == 1
    assert '"legend": null' in json.dumps(chart) or board is lead_board


@pytest.mark.parametrize("board", [lead_board, trainer_board, analyst_board])
def test_a_board_composed_quickly_is_the_same_board(audited, board) -> None:
    with quick_composition():
        quick = specification(board(audited))
    assert not hasattr(alt.Chart, "__deepcopy__")
    assert json.dumps(quick) == json.dumps(specification(board(audited)))


def test_a_board_can_be_joined_sized_and_saved_as_any_chart(audited, tmp_path) -> None:
    board = lead_board(audited)
    board.save(tmp_path / "board.svg")
    assert "Comebacks at a glance" in (tmp_path / "board.svg").read_text("utf-8")


def test_the_embedded_font_is_small_and_its_licence_is_next_to_it() -> None:
    folder = files("analysis.pages").joinpath("fonts")
    fonts = [one for one in folder.iterdir() if one.name.endswith(".woff2")]
    assert len(fonts) == 2
    assert sum(len(one.read_bytes()) for one in fonts) < 200_000
    assert "SIL OPEN FONT LICENSE Version 1.1" in folder.joinpath("LICENSE-OFL.txt").read_text("utf-8")


def test_the_calculated_columns_of_the_lead_board_are_those_it_draws(audited) -> None:
    text = json.dumps(lead_board(audited).to_dict(validate=False))
    for column in ("came_back", "deviation"):
        assert f'"as": "{column}"' in text
    assert '"field": "came_back"' in text
    assert '"op": "sum", "field": "deviation"' in text or '"field": "deviation", "op": "sum"' in text
    assert '"drawn"' not in text


def test_two_workshops_that_began_to_miss_a_step_in_one_month_are_both_named(audited, tmp_path) -> None:
    cells = count_cells(audited)
    schema = empty(EarlySigns).schema
    sign = dict.fromkeys(schema) | {"sign": "missed", "month": cells.periods[-4], "worse": True}
    signs = [sign | {"shop": shop, "subject": step} for step in cells.steps for shop in ("North", "South")]
    lead_board(replace(audited, early_signs=pl.DataFrame(signs, schema=schema))).save(tmp_path / "board.svg")
    assert ">North, South<" in (tmp_path / "board.svg").read_text("utf-8")


def spec_text(board: Any, report_: Report) -> str:
    with quick_composition():
        return json.dumps(specification(board(report_)))


def test_steps_that_changed_come_first_and_the_title_says_so(audited) -> None:
    step = audited.steps.filter(pl.col("rank") == 3).get_column("step")[0]
    sign = {
        "shop": audited.log.sessions.get_column("shop")[0], "sign": "missed", "subject": step, "month": "2025-08",
        "before": 1, "before_of": 90, "since": 60, "since_of": 90, "worse": True, "p_value": 0.001,
    }  # fmt: skip
    changed = replace(audited, early_signs=pl.DataFrame([sign], schema=empty(EarlySigns).schema))
    quiet = replace(audited, early_signs=empty(EarlySigns))
    assert "Missed steps by month: those that changed, then the costliest" in spec_text(lead_board, changed)
    whole = f"{audited.standard.missed_titles[step]}: missed more often at {sign['shop']} since August 2025"
    assert whole in spec_text(trainer_board, changed)
    assert "missed more often at" not in spec_text(trainer_board, quiet)
    assert "Missed steps by month: the costliest" in spec_text(lead_board, quiet)


def test_the_analysts_board_draws_fields_with_gaps_and_counts_the_others(audited) -> None:
    """By hand: one field lacks half of its entries and is drawn; of the others only two more, the least complete."""
    sessions = audited.log.sessions
    half = pl.when(pl.int_range(pl.len()) % 2 == 0).then(pl.col("kit_purged"))
    gaps = replace(audited, log=replace(audited.log, sessions=sessions.with_columns(half.alias("kit_purged"))))
    options = {}
    for name, one in (("usual", audited), ("gaps", gaps)):
        with quick_composition():
            spec = specification(analyst_board(one))
        fields = next(p["bind"]["options"] for p in spec["params"] if p["name"] == "field")
        options[name] = [field for field in fields if field is not None]
    shares = {name: sessions.get_column(name).count() / sessions.height for name in sessions.columns}
    complete = sum(0.95 <= share < 1 for share in shares.values())
    assert complete > 20, "else nothing would be left out"
    assert len(options["usual"]) == len(options["gaps"]) == 3
    assert options["gaps"][0] == "kit purged"
    assert options["gaps"][1:] == options["usual"][:2]


def test_unadjusted_rates_are_those_of_the_groups(audited) -> None:
    text = spec_text(lead_board, audited)
    for row in audited.rates.filter(pl.col("kind") == "shop", pl.col("ratio_lo").is_not_null()).iter_rows(named=True):
        assert f'"counted": {row["comebacks"] / row["mature"]}' in text
