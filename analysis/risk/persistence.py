"""The model file: numpy's archive of arrays, opened only if intact and of this version.

The archive's comment names the maker, the file format, the version of rebleed and the SHA-256 of everything before the
digest. The digest detects damage and careless changes. Against harm: numpy reads nothing but plain arrays
(`allow_pickle=False`), and no code from the file is executed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import sys
import warnings
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from importlib import metadata
from io import BytesIO
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.errors import UserError
from analysis.intake import Log
from analysis.risk.features import BleedFeatures, bleed_rows
from analysis.risk.history import History
from analysis.risk.latent_air import READINGS
from analysis.risk.model import RiskModel
from analysis.standard import Standard, standard_from_dict, standard_to_dict
from schemas import empty
from schemas.log import Brakes

FORMAT = 7
SEAL = "rebleed risk model, format {format}, version {version}, sha256 "
SEAL_PATTERN = re.compile(rb"rebleed risk model, format (\d+), version (\S+), sha256 ([0-9a-f]{64})$")
SEAL_START, DIGEST_LENGTH = SEAL.split(",")[0].encode(), 64
FIRST_SURROGATE, LAST_SURROGATE = 0xD800, 0xDFFF
MAX_FILE_BYTES, MAX_UNPACKED_BYTES = 500_000_000, 2_000_000_000
MODEL_EXPECTED = "the model.npz written by rebleed audit"
RERUN = "run the audit again and use the file it writes"

MAX_LOG_HAZARD, MAX_FIGURE = 1e3, 1e12


@dataclass(frozen=True)
class SavedModel:
    """A model with what it needs to score: `history`, `standard` and `brakes` (those of its log).

    `as_of` is its last day (ISO); `names_hidden` says that its technicians are codes; `extra` are the custom fields it uses.
    """

    model: RiskModel
    history: History = field(repr=False)
    standard: Standard = field(repr=False)
    brakes: pl.DataFrame = field(repr=False)
    as_of: str = ""
    window_days: int = 90
    names_hidden: bool = False
    extra: NDArray[np.str_] = field(default_factory=lambda: np.array([], dtype=np.str_), repr=False)

    @property
    def last_day(self) -> dt.date:
        return dt.date.fromisoformat(self.as_of)

    def features_of(self, log: Log) -> pl.DataFrame:
        """Features of a log's bleeds by the model's own history and brakes; brakes it lacks come from the log.

        Raises
        ------
        UserError
            The log lacks a custom field that the model uses.
        """
        model_brakes = self.brakes.select(empty(Brakes).columns).cast(empty(Brakes).schema)
        other_brakes = log.brakes.select(model_brakes.columns).join(model_brakes, on="brake_model", how="anti")
        with_brakes = Log(**{**log.__dict__, "brakes": pl.concat([model_brakes, other_brakes]).sort("brake_model")})
        features = BleedFeatures(self.standard, extra=self.extra.tolist())
        return features.fit_transform(bleed_rows(with_brakes, self.history))


def saved_model(model: RiskModel, log: Log, data: BleedData, history: History, names_hidden: bool) -> SavedModel:
    """Collect what the model needs from the log it was fitted to.

    Parameters
    ----------
    model
        Fitted and calibrated.
    log, data, history
        Sources of its features.
    names_hidden
        Whether the log's names are codes.
    """
    return SavedModel(
        model=model,
        history=history,
        standard=data.standard,
        brakes=log.brakes,
        as_of=log.as_of.isoformat(),
        window_days=data.window_days,
        names_hidden=names_hidden,
        extra=np.array(data.own_field_names, dtype=np.str_),
    )


def model_bytes(saved: SavedModel) -> bytes:
    """Content of the model's file."""
    archive = BytesIO()
    np.savez_compressed(archive, allow_pickle=False, **dict(_to_arrays(saved)))
    return seal_archive(archive.getvalue())


def seal_archive(archive: bytes, model_format: int = FORMAT, version: str | None = None) -> bytes:
    """The archive with a comment: what it is, by which version, and the digest of all before the digest."""
    seal = SEAL.format(format=model_format, version=version or metadata.version("rebleed")).encode()
    comment_length = (len(seal) + DIGEST_LENGTH).to_bytes(2, "little")  # an archive without a comment ends with 0
    content = archive[:-2] + comment_length + seal
    return content + hashlib.sha256(content).hexdigest().encode()


def _to_arrays(value: Any, prefix: str = "") -> Iterator[tuple[str, NDArray[Any]]]:
    """The fields of nested dataclasses, and the columns of tables, as arrays under dotted names."""
    for name, part in vars(value).items():
        if isinstance(part, Standard):
            yield f"{prefix}{name}", np.array(json.dumps(standard_to_dict(part)))
        elif isinstance(part, pl.DataFrame):
            yield from ((f"{prefix}{name}.{column.name}", _column_to_array(column)) for column in part.get_columns())
        elif is_dataclass(part):
            yield from _to_arrays(part, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}", np.asarray(part)


def _from_arrays(kind: type, arrays: Mapping[str, NDArray[Any]], prefix: str = "") -> Any:
    """The dataclass whose fields `_to_arrays` gave."""
    kinds = get_type_hints(kind)
    return kind(**{one.name: _from_array(kinds[one.name], arrays, prefix + one.name) for one in fields(kind)})


def _from_array(kind: type, arrays: Mapping[str, NDArray[Any]], name: str) -> Any:
    if kind is Standard:
        return standard_from_dict(json.loads(arrays[name].item()))
    if kind is pl.DataFrame:
        return _to_table({key.removeprefix(f"{name}."): arrays[key] for key in arrays if key.startswith(f"{name}.")})
    if is_dataclass(kind):
        return _from_arrays(kind, arrays, f"{name}.")
    return kind(arrays[name].item()) if kind in (str, int, float, bool) else arrays[name]


def _column_to_array(column: pl.Series) -> NDArray[Any]:
    """Text and ISO dates as strings, numbers as floats (NaN where empty)."""
    if column.dtype.is_numeric():
        return column.cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return np.array(column.cast(pl.String).fill_null("").to_list(), dtype=np.str_)


def _to_table(columns: Mapping[str, NDArray[Any]]) -> pl.DataFrame:
    texts = [name for name, values in columns.items() if values.dtype.kind == "U"]
    table = pl.DataFrame({name: v.tolist() if name in texts else v for name, v in columns.items()}).fill_nan(None)
    return table.with_columns(pl.col(texts).cast(pl.String)).with_columns(pl.col("^day$").str.to_date())


def read_model(path: Path) -> SavedModel:
    """Read a model file; nothing in it is executed.

    Raises
    ------
    UserError
        Missing, unreadable, not a model file, changed since it was written (or not the one its run's manifest names),
        or of another version.
    """
    return load_model(_read_bytes(path), str(path))


def load_model(content: bytes, source: str) -> SavedModel:
    """Load a model from bytes; `source` names them in errors."""
    _check_intact(content, source)
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            size = sum(part.file_size for part in archive.infolist())
        if size > MAX_UNPACKED_BYTES:
            raise ValueError(f"unpacks to {size:,} bytes")
        with warnings.catch_warnings(action="error"), np.load(BytesIO(content), allow_pickle=False) as arrays:
            # an error, because numpy only warns of some damaged headers
            model: SavedModel = _from_arrays(SavedModel, {name: _checked_array(arrays[name]) for name in arrays})
        _check_consistent(model)
    except Exception as error:
        raise UserError(
            source, f"is not a complete risk model: {type(error).__name__}", MODEL_EXPECTED, RERUN
        ) from error
    return model


def _checked_array(array: NDArray[Any]) -> NDArray[Any]:
    """The array; ValueError if it holds neither numbers nor text, or text of what is no character, which crashes polars."""
    if array.dtype.kind not in "Ubif":
        raise ValueError(f"an array of {array.dtype}")
    if array.dtype.kind == "U" and array.dtype.itemsize:
        codes = np.ascontiguousarray(array).reshape(-1).view(np.uint32)
        if ((codes > sys.maxunicode) | ((codes >= FIRST_SURROGATE) & (codes <= LAST_SURROGATE))).any():
            raise ValueError("text with invalid characters")
    return array


def _read_bytes(path: Path) -> bytes:
    try:
        if not path.is_file():
            raise UserError(
                str(path), "is not a file" if path.exists() else "does not exist", MODEL_EXPECTED, "check --model"
            )
        if path.stat().st_size > MAX_FILE_BYTES:
            raise UserError(str(path), "is larger than 500 MB", MODEL_EXPECTED, "check --model")
        content = path.read_bytes()
    except OSError as error:
        raise UserError(str(path), f"cannot be read: {error.strerror}", MODEL_EXPECTED, "check --model") from error
    checksum = _recorded_checksum(path.with_name("manifest.json"))
    if checksum and checksum != hashlib.sha256(content).hexdigest():
        raise UserError(str(path), "is not the model named in the manifest.json next to it", MODEL_EXPECTED, RERUN)
    return content


def _recorded_checksum(manifest: Path) -> str | None:
    """Checksum of the model in the run's manifest, if there is one."""
    try:
        content = json.loads(manifest.read_text("utf-8"))
        return (
            str(content["model_sha256"])
            if content.get("made_by") == "rebleed" and content.get("model_sha256")
            else None
        )
    except (OSError, ValueError, AttributeError, KeyError):
        return None


def _check_intact(content: bytes, source: str) -> None:
    if not content.startswith(b"PK") or SEAL_START not in content:
        raise UserError(source, "is not a rebleed risk model", MODEL_EXPECTED, "check --model")
    seal = SEAL_PATTERN.search(content[-200:])
    if seal is None or hashlib.sha256(content[:-DIGEST_LENGTH]).hexdigest().encode() != seal[3]:
        raise UserError(source, "was changed or truncated after it was written", MODEL_EXPECTED, RERUN)
    model_format, version, ours = int(seal[1]), seal[2].decode("ascii", "replace"), metadata.version("rebleed")
    if (model_format, version) != (FORMAT, ours):
        raise UserError(
            source,
            f"was written by rebleed {version} (model format {model_format})",
            f"a rebleed {ours} model (model format {FORMAT})",
            RERUN,
        )


def _all_below(values: object, most: float) -> bool:
    """Whether every number is finite and below `most`: no fit gives larger ones, and they would overflow."""
    return bool((np.abs(np.asarray(values, dtype=float)) < most).all())


def _check_consistent(model: SavedModel) -> None:
    """Raise if the arrays of the model do not fit one another."""
    hazard, air = model.model.hazard, model.model.air
    checks = [bool(model.last_day), hazard.covariance.shape == (len(hazard.coefficients),) * 2]
    for inputs, coefficients in ((hazard.inputs, hazard.coefficients), (air.inputs, air.coefficients)):
        arrays = (coefficients, inputs.centre, inputs.scale, inputs.lower, inputs.upper)
        checks += [len(x) == len(inputs.columns) for x in arrays]
        checks += [_all_below(coefficients, MAX_LOG_HAZARD), _all_below(inputs.centre, MAX_FIGURE)]
        checks.append(_all_below(inputs.scale, MAX_FIGURE) and bool((inputs.scale > 0).all()))
    checks += [
        _all_below(hazard.covariance, MAX_FIGURE),
        _all_below(hazard.window.baseline_cumulative_hazard, MAX_FIGURE),
    ]
    checks += [
        _all_below(x, MAX_FIGURE) for x in (hazard.window.survival_to_next_bleed, *vars(air.measurement).values())
    ]
    checks.append(
        len(hazard.window.baseline_cumulative_hazard)
        == len(hazard.window.survival_to_next_bleed)
        == model.window_days + 1
    )
    checks += [len(x) == len(READINGS) for x in vars(air.measurement).values()]
    checks += [0 < air.variance < MAX_FIGURE, 0 < air.scale < MAX_FIGURE]
    calibration = model.model.calibration
    checks.append(_all_below((hazard.technician_variance, calibration.intercept, calibration.slope), MAX_FIGURE))
    if not all(checks):
        raise ValueError("the arrays of the model do not fit one another")
