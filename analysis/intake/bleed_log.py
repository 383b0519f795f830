"""The bleed log after intake: validated tables, the links of returns to bleeds, and where every row went."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pandera.typing.polars import DataFrame

from schemas.intermediate import Links
from schemas.log import Brakes, Coaching, Comebacks, Passes, Sessions, Technicians
from schemas.outputs import Intake, SetAside

FILE, FILE_ROW = "file", "row"


@dataclass(frozen=True)
class Source:
    """One input as it was read: its name as given, the sha256 of its bytes ("" for a database), rows read."""

    file: str
    sha256: str
    rows_read: int


@dataclass(frozen=True)
class OwnField:
    """A column of the shop's own, `own.<name>` in the table it belongs to."""

    table: str
    name: str
    type: str
    unit: str
    role: str


@dataclass(frozen=True)
class RejectedRows:
    """The rows of one input that were set aside, as they were, to correct and import again.

    `rows` are their numbers there; `fields` the log's field for each heading, "" where there is none.
    """

    file: str
    table: str
    text: str
    suffix: str
    rows: tuple[int, ...] = ()
    fields: tuple[str, ...] = ()


@dataclass(frozen=True)
class Log:
    """What the rooms of the analysis stand on.

    Every table is sorted by its key and carries `file` and `row` (where it came from) and every canonical
    column (empty where the exports had none). `names` are the technicians as the files write them, in rejected rows too.
    `started_at_has_time` (`returned_at_has_time`) is false where only
    the day was written.
    """

    sessions: DataFrame[Sessions]
    comebacks: DataFrame[Comebacks]
    passes: DataFrame[Passes]
    technicians: DataFrame[Technicians]
    coaching: DataFrame[Coaching]
    brakes: DataFrame[Brakes]
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
