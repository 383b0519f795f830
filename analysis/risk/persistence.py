"""The model file: a skops archive that is opened only if intact, of this version and made of trusted types.

The archive's comment names the maker, the file format, the version of rebleed and the SHA-256 of everything before the
digest. The digest detects damage and careless changes. Against harm: skops builds nothing but plain values, arrays and
the classes in `TRUSTED_TYPES`, and executes no code from the file.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import struct
import zipfile
from dataclasses import dataclass, field
from importlib import metadata
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.dataset import BleedData
from analysis.errors import UserError
from analysis.intake import Log
from analysis.risk.calibration import Calibration
from analysis.risk.features import BleedFeatures, bleed_rows
from analysis.risk.hazard_model import HazardModel, Window
from analysis.risk.history import History
from analysis.risk.latent_air import READINGS, LatentAirModel, MeasurementModel
from analysis.risk.model import RiskModel
from analysis.risk.preprocessing import FittedPreprocessor
from analysis.standard import Standard, standard_from_dict, standard_to_dict
from schemas import empty
from schemas.log import Brakes

PlainTable = dict[str, Any]
FORMAT = 6
ARCHIVE_TAG = b"rebleed risk model "
DIGEST_LENGTH = 64
END_RECORD, END_SIZE = b"PK\x05\x06", 22
SCHEMA = "schema.json"
MEMORY_ADDRESS, PART_ADDRESS = re.compile(r'(?<="__id__": )\d+|(?<="file": ")\d+(?=\.npy")'), re.compile(r"^\d+")
"""Memory addresses in the archive's table of contents and in the names of its parts."""
MAX_FILE_BYTES, MAX_UNPACKED_BYTES = 500_000_000, 2_000_000_000
MODEL_EXPECTED = "the model.skops written by rebleed audit"
RERUN = "run the audit again and use the file it writes"

MAX_LOG_HAZARD, MAX_FIGURE = 1e3, 1e12


@dataclass(frozen=True)
class SavedModel:
    """A model with what it needs to score: `history` (tables of `History`), `standard`, `brakes`, and the `features` it
    uses.

    `as_of` is its last day; `names_hidden` says that its technicians are codes; `extra` are the own fields it uses.
    """

    model: RiskModel
    history: PlainTable = field(repr=False)
    standard: PlainTable = field(repr=False)
    brakes: PlainTable = field(repr=False)
    features: NDArray[np.str_] = field(repr=False)
    as_of: str = ""
    window_days: int = 90
    names_hidden: bool = False
    extra: NDArray[np.str_] = field(default_factory=lambda: np.array([], dtype=np.str_), repr=False)

    @property
    def last_day(self) -> dt.date:
        return dt.date.fromisoformat(self.as_of)

    def saved_standard(self) -> Standard:
        return standard_from_dict(self.standard)

    def features_of(self, log: Log) -> pl.DataFrame:
        """Features of a log's bleeds by the model's own history and brakes; brakes it lacks come from the log.

        Raises
        ------
        UserError
            The log lacks an own field that the model uses.
        """
        model_brakes = _to_frame(self.brakes).select(empty(Brakes).columns).cast(empty(Brakes).schema)
        other_brakes = log.brakes.select(model_brakes.columns).join(model_brakes, on="brake_model", how="anti")
        with_brakes = Log(**{**log.__dict__, "brakes": pl.concat([model_brakes, other_brakes]).sort("brake_model")})
        history = History(**{name: _to_frame(table) for name, table in self.history.items()})
        features = BleedFeatures(self.saved_standard(), extra=self.extra.tolist())
        return features.fit_transform(bleed_rows(with_brakes, history))


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
        history={name: _to_arrays(getattr(history, name)) for name in ("outcomes", "starts", "reference_travel")},
        standard=standard_to_dict(data.standard),
        brakes=_to_arrays(log.brakes.select(empty(Brakes).columns)),
        features=np.array([column.name for column in model.hazard.inputs.columns]),
        as_of=log.as_of.isoformat(),
        window_days=data.window_days,
        names_hidden=names_hidden,
        extra=np.array(data.own_field_names, dtype=np.str_),
    )


def _to_arrays(table: pl.DataFrame) -> PlainTable:
    """Columns as arrays: text and ISO dates as strings, numbers as floats (NaN where empty)."""
    columns: PlainTable = {}
    for column in table.get_columns():
        if column.dtype.is_numeric():
            columns[column.name] = column.cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()
        else:
            columns[column.name] = np.array(column.cast(pl.String).fill_null("").to_list(), dtype=np.str_)
    return columns


def _to_frame(columns: PlainTable) -> pl.DataFrame:
    texts = [name for name, values in columns.items() if values.dtype.kind == "U"]
    table = pl.DataFrame({name: v.tolist() if name in texts else v for name, v in columns.items()}).fill_nan(None)
    return table.with_columns(pl.col(texts).cast(pl.String)).with_columns(pl.col("^day$").str.to_date())


MODEL_CLASSES = (
    SavedModel,
    RiskModel,
    LatentAirModel,
    MeasurementModel,
    FittedPreprocessor,
    HazardModel,
    Window,
    Calibration,
)
TRUSTED_TYPES = sorted(f"{kind.__module__}.{kind.__qualname__}" for kind in MODEL_CLASSES)
"""Types that may be built, besides plain values and numpy arrays."""


def model_bytes(saved: SavedModel) -> bytes:
    """Content of the model's file."""
    import skops.io

    archive = _canonical_archive(skops.io.dumps(saved))
    header = json.dumps({"format": FORMAT, "version": metadata.version("rebleed"), "sha256": ""})[:-2]
    comment = ARCHIVE_TAG + header.encode("ascii")
    end_record = archive.rfind(END_RECORD)
    signed = archive[: end_record + END_SIZE - 2] + struct.pack("<H", len(comment) + DIGEST_LENGTH + 2) + comment
    return signed + hashlib.sha256(signed).hexdigest().encode("ascii") + b'"}'


def _canonical_archive(content: bytes) -> bytes:
    """The archive without memory addresses and times, which differ from run to run."""
    with zipfile.ZipFile(BytesIO(content)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    schema = parts.pop(SCHEMA).decode()
    numbers = {address: str(number) for number, address in enumerate(dict.fromkeys(MEMORY_ADDRESS.findall(schema)))}
    parts = {PART_ADDRESS.sub(lambda match: numbers[match[0]], name): part for name, part in parts.items()}
    parts[SCHEMA] = MEMORY_ADDRESS.sub(lambda match: numbers[match[0]], schema).encode()
    archive_out = BytesIO()
    with zipfile.ZipFile(archive_out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name in sorted(parts):
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, parts[name])
    return archive_out.getvalue()


def read_model(path: Path) -> SavedModel:
    """Read a model file; nothing in it is executed.

    Raises
    ------
    UserError
        Missing, unreadable, not a model file, changed since it was written (or not the one its run's manifest names),
        of another version, or with a type that is not trusted.
    """
    return load_model(_read_bytes(path), str(path))


def load_model(content: bytes, source: str) -> SavedModel:
    """Load a model from bytes; `source` names them in errors."""
    import skops.io

    _check_intact(content, source)
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            size = sum(part.file_size for part in archive.infolist())
        if size > MAX_UNPACKED_BYTES:
            raise UserError(source, "unpacks to more than 2 GB", MODEL_EXPECTED, RERUN)
        untrusted = sorted(set(skops.io.get_untrusted_types(data=content)) - set(TRUSTED_TYPES))
    except UserError:
        raise
    except Exception as error:
        raise UserError(source, f"cannot be read as a model: {type(error).__name__}", MODEL_EXPECTED, RERUN) from error
    if untrusted:
        names = ", ".join(untrusted[:3])
        raise UserError(
            source, f"contains types that no rebleed model has: {names}", MODEL_EXPECTED, "do not use this file"
        )
    try:
        model = skops.io.loads(content, trusted=TRUSTED_TYPES)
        _check_consistent(model)
    except Exception as error:
        raise UserError(
            source, f"is not a complete risk model: {type(error).__name__}", MODEL_EXPECTED, RERUN
        ) from error
    return model


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
    start = content.rfind(ARCHIVE_TAG)
    if not content.startswith(b"PK") or start < 0:
        raise UserError(source, "is not a risk model of rebleed", MODEL_EXPECTED, "check --model")
    try:
        header = json.loads(content[start + len(ARCHIVE_TAG) :].decode("ascii"))
        digest, made_with = str(header["sha256"]), (int(header["format"]), str(header["version"]))
    except (ValueError, KeyError, TypeError) as error:
        raise UserError(source, "was changed or truncated after it was written", MODEL_EXPECTED, RERUN) from error
    if hashlib.sha256(content[: -DIGEST_LENGTH - 2]).hexdigest() != digest:
        raise UserError(source, "was changed after it was written: its checksum differs", MODEL_EXPECTED, RERUN)
    if made_with != (FORMAT, metadata.version("rebleed")):
        raise UserError(
            source,
            f"was written by rebleed {made_with[1]} (model format {made_with[0]})",
            f"a model of rebleed {metadata.version('rebleed')} (model format {FORMAT})",
            RERUN,
        )


def _all_below(values: object, most: float) -> bool:
    """Whether every number is finite and below `most`: no fit gives larger ones, and they would overflow."""
    return bool((np.abs(np.asarray(values, dtype=float)) < most).all())


def _check_consistent(model: object) -> None:
    """Raise if the arrays of the model do not fit one another."""
    if not isinstance(model, SavedModel) or not isinstance(model.model, RiskModel):
        raise TypeError("not a risk model")
    hazard, air = model.model.hazard, model.model.air
    checks = [hazard.covariance.shape == (len(hazard.coefficients),) * 2]
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
    if not all(checks):
        raise ValueError("the arrays of the model do not fit one another")
    model.last_day, model.saved_standard()
