"""The limits of every field, by the pandera model alone and by the intake."""

import datetime as dt

import polars as pl
import pytest

from analysis.intake import read_log
from schemas import LOG_TABLES, field_entries, validate_table
from tests.build import AS_OF, table

KEYS = {
    "sessions": {"session_id": "S", "bike_id": "B", "brake": "front", "technician": "Wren", "started_at": "2026-01-05"},
    "comebacks": {"comeback_id": "C", "bike_id": "B", "returned_at": "2026-01-06"},
    "passes": {"session_id": "S", "pass_no": 1},
    "technicians": {"technician": "Wren"},
    "coaching": {"technician": "Wren", "coached_on": dt.date(2026, 1, 5), "step": "cycles"},
    "measures": {"began_on": dt.date(2026, 1, 5), "what": "new kits"},
    "actions": {"action_id": "A1", "kind": "recall"},
    "brakes": {"brake_model": "M"},
}
ENTRIES = [entry for name, model in LOG_TABLES.items() for entry in field_entries(name, model)]
BOUNDS = [(e, bound, sign) for e in ENTRIES for bound, sign in ((e.low, -1), (e.high, 1)) if bound is not None]


def with_value(entry, value):
    """A valid row of the table with one value replaced, not validated."""
    return table(entry.table, [KEYS[entry.table]]).with_columns(
        pl.lit(value, dtype=LOG_TABLES[entry.table].to_schema().columns[entry.name].dtype.type).alias(entry.name)
    )


@pytest.mark.parametrize(("entry", "bound", "sign"), BOUNDS, ids=lambda x: getattr(x, "name", str(x)))
def test_a_limit_is_accepted_and_a_step_beyond_it_is_not(entry, bound, sign):
    whole = entry.type == "whole number"
    kind = int if whole else float
    validate_table(LOG_TABLES[entry.table], with_value(entry, kind(bound)))
    with pytest.raises(ValueError, match=entry.name):
        validate_table(LOG_TABLES[entry.table], with_value(entry, kind(bound + sign * (1 if whole else 0.001))))


@pytest.mark.parametrize("entry", [e for e in ENTRIES if e.levels], ids=lambda e: f"{e.table}.{e.name}")
def test_a_word_that_is_not_a_level_is_refused(entry):
    with pytest.raises(ValueError, match=entry.name):
        validate_table(LOG_TABLES[entry.table], with_value(entry, "sideways"))


@pytest.mark.parametrize("entry", [e for e in ENTRIES if e.required], ids=lambda e: f"{e.table}.{e.name}")
def test_an_empty_required_field_is_refused(entry):
    with pytest.raises(ValueError, match=entry.name):
        validate_table(LOG_TABLES[entry.table], with_value(entry, None))


def test_a_lazy_frame_is_refused():
    with pytest.raises(ValueError, match="lazy"):
        validate_table(LOG_TABLES["passes"], table("passes", [KEYS["passes"]]).lazy())


def test_intake_accepts_each_limit_of_a_bleed_and_blanks_a_step_beyond_it(tmp_path):
    bounded = [case for case in BOUNDS if case[0].table == "sessions"]
    names = list(dict.fromkeys(entry.name for entry, _, _ in bounded))
    rows = [[*("session_id", "bike_id", "brake", "technician", "started_at"), *names]]
    for at_bound in (True, False):
        for i, (entry, bound, sign) in enumerate(bounded):
            past = 0 if at_bound else sign * (1 if entry.type == "whole number" else 0.001)
            values = {entry.name: f"{bound + past:.10g}"}
            rows.append([f"{at_bound}{i}", "B", "front", "Wren", "2026-01-05", *(values.get(n, "") for n in names)])
    path = tmp_path / "sessions.csv"
    path.write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    reasons = read_log([str(path)], as_of=AS_OF).set_aside
    expected = [(len(bounded) + i + 2, entry.name) for i, (entry, _, _) in enumerate(bounded)]
    assert sorted(reasons.select("row", "column").rows()) == sorted(expected)
    assert set(reasons.get_column("rule")) == {"out_of_range"}
