"""The rules of days hold for every drawn case."""

import datetime as dt

import polars as pl
import pytest

from analysis.errors import UserError
from analysis.intake import read_log
from tests.intake.day_cases import DAY_CASES


def exports(case, folder):
    bled = ["session_id,bike_id,brake,technician,started_at"]
    bled += [f"S{i},B{i},front,Wren,{day}" for i, day in enumerate(case.bleeds)]
    back = ["comeback_id,bike_id,brake,returned_at"]
    back += [f"C{i},B0,front,{day}" for i, day in enumerate(case.returns)]
    (folder / "sessions.csv").write_text("\n".join(bled), encoding="utf-8")
    (folder / "comebacks.csv").write_text("\n".join(back), encoding="utf-8")
    return [str(folder / "sessions.csv"), str(folder / "comebacks.csv")]


@pytest.mark.parametrize("case", DAY_CASES, ids=lambda case: case.because)
def test_the_as_of_date_and_the_days_set_aside_are_as_drawn(case, tmp_path):
    given = dt.date.fromisoformat(case.given) if case.given else None
    files = exports(case, tmp_path)
    if case.as_of is None:
        with pytest.raises(UserError, match="as-of"):
            read_log(files, as_of=given)
        return
    log = read_log(files, as_of=given)
    aside = log.set_aside.filter(pl.col("action") == "row_set_aside").get_column("value").to_list()
    assert (log.as_of.isoformat(), tuple(aside)) == (case.as_of, case.aside)
