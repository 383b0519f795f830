"""The bleed log after intake: validated tables, the bleed of each return, an account of every row, and the last day covered.

That day is the newest date of the exports unless it is given.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.days import parse_day
from analysis.errors import UserError
from schemas.intermediate import Links
from schemas.log import Actions, Brakes, Coaching, Comebacks, Measures, Passes, Sessions, Technicians
from schemas.outputs import Intake, SetAside

FILE, FILE_ROW = "file", "row"
MAX_WARNINGS = 12
PEOPLE_COLUMNS = ("technician", "by")
"""Columns that name people."""
MAX_GAP_DAYS = 60
"""A newest date further than this from the one before stops the run, if no other gap of the log is as long; a requested
day this long after the last date is pointed out (common practice, no source)."""
UNUSUAL_GAP, MIN_GAP_DAYS, ISOLATED_SHARE = 2.0, 7, 0.005
"""A gap is unusual if it is this many times the longest one before it and these days; at most this share of rows after such a gap is
pointed out (common practice, no source)."""
AFTER_TODAY = "is after today"
"""In the warning about a last day that has not come yet."""


@dataclass(frozen=True)
class Source:
    """One input: its name as given, the SHA-256 of its bytes ("" for a database), and the rows read."""

    file: str
    sha256: str
    rows_read: int


@dataclass(frozen=True)
class OwnField:
    """A column that only this shop has: `name` is `own.<name>` in its table; `group` if its values are compared."""

    table: str
    name: str
    type: str
    unit: str
    role: str
    group: bool = False


@dataclass(frozen=True)
class RejectedRows:
    """The rejected rows of one input as they are in the file, to correct and import again.

    `rows` are their row numbers; `fields` the log's field for each heading, "" where there is none.
    """

    file: str
    table: str
    text: str
    suffix: str
    rows: tuple[int, ...] = ()
    fields: tuple[str, ...] = ()


@dataclass(frozen=True, repr=False)
class Log:
    """A validated bleed log.

    Every table is sorted by its key and has all columns of its model (empty if the exports have none) and `file` and
    `row`, which say where each row comes from. `started_at_has_time` and `returned_at_has_time` are false where only the
    day was recorded. `names` are the people as spelled in the files, including rejected rows. `currency` is taken from
    the headings of money columns, "" if unknown.
    """

    sessions: DataFrame[Sessions]
    comebacks: DataFrame[Comebacks]
    passes: DataFrame[Passes]
    technicians: DataFrame[Technicians]
    coaching: DataFrame[Coaching]
    measures: DataFrame[Measures]
    brakes: DataFrame[Brakes]
    actions: DataFrame[Actions]
    links: DataFrame[Links]
    intake: DataFrame[Intake]
    set_aside: DataFrame[SetAside]
    as_of: dt.date
    has_comebacks_table: bool
    own_fields: tuple[OwnField, ...] = ()
    sources: tuple[Source, ...] = ()
    rejected: tuple[RejectedRows, ...] = ()
    warnings: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    currency: str = ""

    def __repr__(self) -> str:
        return "\n".join(self.summary())

    def _repr_html_(self) -> str:
        return "".join(f"<p>{escape(line)}</p>" for line in self.summary())

    def summary(self) -> list[str]:
        """The log in a few lines: days covered, rows by table, warnings."""
        tables = (("bleeds", self.sessions), ("returns", self.comebacks), ("pushes", self.passes),
                  ("coaching sessions", self.coaching), ("brake models", self.brakes))  # fmt: skip
        rows = ", ".join(f"{table.height:,} {name}" for name, table in tables if table.height)
        first = self.sessions.get_column("started_at").dt.strftime("%Y-%m-%d").min()
        rejected = int(self.intake.get_column("set_aside").sum())
        lines = [
            f"Log of {rows}",
            f"from {first!s} to {self.as_of}; {rejected:,} rows rejected (log.set_aside says why)",
        ]
        more = len(self.warnings) - MAX_WARNINGS
        lines += [f"Note: {warning}" for warning in self.warnings[:MAX_WARNINGS]]
        return lines + ([f"and {more} more notes in log.warnings"] if more > 0 else [])

    def filter(self, *, shop: str | Sequence[str] | None = None, since: dt.date | str | None = None) -> Log:
        """Keep the bleeds of some workshops, or those since a given date, with their returns; leave out the rest.

        Bleeds that are left out no longer count as returns: a bike re-bled at a workshop that is left out is not a comeback
        here unless it is in the table of returns. The row counts remain those of the exports.

        Parameters
        ----------
        shop
            One workshop or several.
        since
            The first day of the bleeds, a date or `"2026-06-30"`.

        Raises
        ------
        UserError
            No bleed is left, or the day is not a date.
        """
        first = parse_day(since, "since")
        shops = [shop] if isinstance(shop, str) else shop
        conditions = [] if shops is None else [pl.col("shop").is_in(list(shops))]
        conditions += [] if first is None else [pl.col("started_at").dt.date() >= first]
        sessions = self.sessions.filter(*conditions) if conditions else self.sessions
        if sessions.is_empty():
            there = ", ".join(self.sessions.get_column("shop").drop_nulls().unique().sort()) or "none is recorded"
            raise UserError(
                "log.filter",
                "no bleeds match this filter",
                f"a workshop of the log ({there}) and a day with bleeds after it",
                "choose one of these workshops or an earlier day",
            )
        links = self.links.join(sessions, on="session_id", how="semi")
        tables = {
            "sessions": sessions,
            "passes": self.passes.join(sessions, on="session_id", how="semi"),
            "comebacks": self.comebacks.join(links, on="comeback_id", how="semi"),
            "links": links,
        }
        return replace(self, **tables)  # type: ignore[arg-type]  # rows left out, columns unchanged


def as_of_date(days: pl.Series, requested: dt.date | None) -> dt.date:
    """The as-of date of a log.

    `days` are those of its bleeds and returns; `requested` is the day given by the user.

    Raises
    ------
    UserError
        There is no date; the newest is more than 60 days after the one before, which looks like a typing error; the
        requested day is before all dates.
    """
    distinct = days.drop_nulls().unique().sort()
    if requested is not None:
        if len(distinct) and requested < distinct[0]:
            raise UserError(
                "--as-of",
                f"{requested} is before all dates in the exports",
                f"{distinct[0]} or later",
                "give the day on which the exports were made",
            )
        return requested
    if not len(distinct):
        raise UserError(
            "the exports",
            "no bleed or return has a valid date",
            "dates since 1990",
            "correct the dates, or date_order in the map",
        )
    newest = distinct[-1]
    gaps = distinct.diff().dt.total_days().drop_nulls()
    if len(gaps) and gaps[-1] > max(MAX_GAP_DAYS, gaps[:-1].max() or 0):
        raise UserError(
            "the as-of date",
            f"the last date ({newest}) is more than {MAX_GAP_DAYS} days after the one before ({distinct[-2]})",
            "the last day the exports cover",
            f"if it is a typo, use --as-of {distinct[-2]}; if it is correct, use --as-of {newest}",
        )
    return newest


def as_of_warnings(days: pl.Series, requested: dt.date | None, today: dt.date | None = None) -> list[str]:
    """Warn of a last day after today, of a few isolated dates at the end, or of a day long after the last date."""
    rows = days.drop_nulls().sort()
    if rows.is_empty():
        return []
    newest = rows[-1]
    last = requested or newest
    if today is not None and last > today:
        subject = f"--as-of {last}" if requested else f"the last date in the exports ({last})"
        right = rows.filter(rows <= today)
        day = min(today, right[-1] if len(right) else today)
        return [
            f"{subject} {AFTER_TODAY} ({today}): bleeds count as followed until then; if it is wrong, use --as-of {day}"
        ]
    if requested is not None:
        late = (requested - newest).days
        if late <= MAX_GAP_DAYS:
            return []
        return [
            f"the as-of date {requested} is {late:,} days after the last date in the exports ({newest}); check --as-of"
        ]
    return _isolated_end_warning(rows)


def _isolated_end_warning(rows: pl.Series) -> list[str]:
    """Warn of the first gap among the last rows that is unusual for this log."""
    most = int(ISOLATED_SHARE * len(rows)) + 1
    gaps = rows.diff().dt.total_days().fill_null(0).to_list()
    first = max(len(rows) - most, 2)
    longest = max(gaps[:first])
    for place in range(first, len(rows)):
        if gaps[place] > max(UNUSUAL_GAP * longest, MIN_GAP_DAYS):
            day, newest = rows[place - 1], rows[-1]
            return [
                f"the last date is {newest}, but only {len(rows) - place} of {len(rows):,} dates are after {day}: a gap of "
                f"{gaps[place]} days, where no other is longer than {longest}; if these are typos, use --as-of {day}"
            ]
        longest = max(longest, gaps[place])
    return []
