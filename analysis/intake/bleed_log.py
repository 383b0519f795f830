"""The bleed log after intake: validated tables, the bleed of each return, and an account of every row."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pandera.typing.polars import DataFrame

from schemas.intermediate import Links
from schemas.log import Actions, Brakes, Coaching, Comebacks, Passes, Sessions, Technicians
from schemas.outputs import Intake, SetAside

FILE, FILE_ROW = "file", "row"
PEOPLE_COLUMNS = ("technician", "by")
"""Columns that name people."""


@dataclass(frozen=True)
class Source:
    """One input: its name as given, the SHA-256 of its bytes ("" for a database), and the rows read."""

    file: str
    sha256: str
    rows_read: int


@dataclass(frozen=True)
class OwnField:
    """A column that only this shop has: `name` is `own.<name>` in its table."""

    table: str
    name: str
    type: str
    unit: str
    role: str


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


@dataclass(frozen=True)
class Log:
    """A validated bleed log.

    Every table is sorted by its key and has all columns of its model (empty if the exports have none) and `file` and
    `row`, where each row comes from. `started_at_has_time` and `returned_at_has_time` are false where only the day was
    recorded. `names` are the people as spelled in the files, in rejected rows too. `currency` is taken from the
    headings of sums of money, "" if unknown.
    """

    sessions: DataFrame[Sessions]
    comebacks: DataFrame[Comebacks]
    passes: DataFrame[Passes]
    technicians: DataFrame[Technicians]
    coaching: DataFrame[Coaching]
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
