"""The as-of date and the rejected days are as in every case of RULES.md."""

import datetime as dt

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import read_log
from tests.intake.day_cases import DAY_CASES


def exports(case, folder):
    bleeds = ["session_id,bike_id,brake,technician,started_at"]
    bleeds += [f"S{i},B{i},front,Wren,{day}" for i, day in enumerate(case.bleeds)]
    returns = ["comeback_id,bike_id,brake,returned_at"]
    returns += [f"C{i},B0,front,{day}" for i, day in enumerate(case.returns)]
    (folder / "sessions.csv").write_text("\n".join(bleeds), encoding="utf-8")
    (folder / "comebacks.csv").write_text("\n".join(returns), encoding="utf-8")
    return [str(folder / "sessions.csv"), str(folder / "comebacks.csv")]


@pytest.mark.parametrize("case", DAY_CASES, ids=lambda case: case.because)
def test_the_as_of_date_and_the_rejected_days_are_those_of_the_case(case, tmp_path):
    requested = dt.date.fromisoformat(case.requested) if case.requested else None
    files = exports(case, tmp_path)
    if case.as_of is None:
        with pytest.raises(UserError, match="as-of"):
            read_log(files, as_of=requested)
        return
    log = read_log(files, as_of=requested)
    rejected = log.set_aside.filter(pl.col("action") == "row_set_aside").get_column("value").to_list()
    assert (log.as_of.isoformat(), tuple(rejected)) == (case.as_of, case.rejected)


def many_bleeds(folder, *last_days):
    rows = [f"S{i},B{i},front,Wren,2026-0{1 + i % 5}-{1 + i % 28:02d}" for i in range(600)]
    rows += [f"L{i},B{i},front,Wren,{day}" for i, day in enumerate(last_days)]
    path = folder / "sessions.csv"
    path.write_text("\n".join(["session_id,bike_id,brake,technician,started_at", *rows]), encoding="utf-8")
    return [str(path)]


def test_a_few_isolated_dates_at_the_end_are_pointed_out_with_the_option_to_use(tmp_path):
    log = read_log(many_bleeds(tmp_path, "2026-06-20", "2026-06-21"))
    assert any(
        "only 2 of 602 dates are after 2026-05-28" in one and "--as-of 2026-05-28" in one for one in log.warnings
    )


def test_dates_without_a_gap_are_not_pointed_out(tmp_path):
    log = read_log(many_bleeds(tmp_path, "2026-06-02", "2026-06-04"))
    assert not any("--as-of" in warning for warning in log.warnings)


def test_an_as_of_date_years_after_the_log_is_pointed_out(tmp_path):
    log = read_log(many_bleeds(tmp_path), as_of=dt.date(2036, 5, 28))
    assert any(
        "2036-05-28 is 3,653 days after the last date in the exports (2026-05-28)" in one for one in log.warnings
    )
