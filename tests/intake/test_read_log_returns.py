"""Returns that name a bleed, from the export to the match."""

from analysis.intake import read_log
from schemas import LOG_TABLES

BLEEDS = """session_id,bike_id,brake,technician,started_at
S1,B1,front,Wren,2026-01-02
S2,B1,left,Wren,2026-01-03
S3,B1,front,Wren,2026-01-03
S3,B1,rear,Wren,2026-01-03
S1,B1,front,Wren,2026-01-02
"""
RETURNS = """comeback_id,session_id,bike_id,brake,returned_at
C1,S1,B1,front,2026-01-10
C2,S2,B1,front,2026-01-10
C3,S3,B1,front,2026-01-10
C4,nowhere,B1,front,2026-01-10
C5,,B2,front,2026-01-10
"""


def read(tmp_path):
    for name, text in (("sessions", BLEEDS), ("comebacks", RETURNS)):
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    return read_log([str(tmp_path / "sessions.csv"), str(tmp_path / "comebacks.csv")])


def test_a_return_of_a_rejected_bleed_is_not_matched_to_another(tmp_path):
    bleed_of = dict(read(tmp_path).links.select("comeback_id", "session_id").iter_rows())
    assert bleed_of == {"C1": "S1", "C2": None, "C3": None, "C4": "S1", "C5": None}


def test_unmatched_returns_are_accepted_counted_and_reported(tmp_path):
    log = read(tmp_path)
    counts = log.intake.select("table", "rows_read", "accepted", "set_aside", "duplicates", "unlinked").rows()
    assert counts == [("comebacks", 5, 5, 0, 0, 3), ("sessions", 5, 1, 3, 1, 0)]
    reasons = log.set_aside.filter(action="unlinked").select("row", "column", "rule", "value").rows()
    assert reasons == [(row, None, "no_bleed_found", value) for row, value in ((3, "C2"), (4, "C3"), (6, "C5"))]


def test_every_table_of_the_log_has_every_field_and_where_it_came_from(tmp_path):
    log = read(tmp_path)
    for name, model in LOG_TABLES.items():
        assert {*model.to_schema().columns, "file", "row"} <= set(getattr(log, name).columns)
