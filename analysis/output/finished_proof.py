"""A finished proof, read back."""

from __future__ import annotations

from pathlib import Path

import polars as pl
from pandera.typing.polars import DataFrame

from analysis.errors import UserError
from schemas import empty, validate_table
from schemas.outputs import Prove


def read_proof(folder: str | Path) -> DataFrame[Prove]:
    """The table of a finished proof.

    Parameters
    ----------
    folder
        What `rebleed prove --out` wrote.

    Raises
    ------
    UserError
        It holds no such table.
    """
    path = Path(folder) / "tables" / "prove.csv"
    try:
        table = pl.read_csv(path, schema=empty(Prove).schema)
        if not all(values.drop_nulls().is_finite().all() for values in table.iter_columns() if values.dtype.is_float()):
            raise ValueError("a figure that is no number")
        return validate_table(Prove, table)
    except (OSError, ValueError, pl.exceptions.PolarsError) as error:
        raise UserError(
            str(path), "is not the table of a proof", "a folder that rebleed prove wrote", "make one"
        ) from error
