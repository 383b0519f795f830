"""The model file: written by skops, opened only when it is whole, of this version, and made of known types alone.

The file is a skops archive whose comment names the maker, the file's version, the library's, and the SHA-256 of
everything before the digest. The digest guards against damage and careless change; what guards against harm is that
skops builds nothing but plain values, arrays and the classes of `KNOWN`, and runs no code that the file brings.
"""

from __future__ import annotations

import hashlib
import json
import re
import struct
import zipfile
from importlib import metadata
from io import BytesIO
from pathlib import Path

import numpy as np

from analysis.errors import UserError
from analysis.risk.calibration import Calibration
from analysis.risk.hazard_model import HazardModel, Window
from analysis.risk.latent_air import READINGS, LatentAirModel, MeasurementModel
from analysis.risk.model import RiskModel
from analysis.risk.preprocessing import FittedPreprocessor
from analysis.risk.saved_model import SavedModel

FORMAT = 4
OURS = (SavedModel, RiskModel, LatentAirModel, MeasurementModel, FittedPreprocessor, HazardModel, Window, Calibration)
KNOWN = sorted(f"{kind.__module__}.{kind.__qualname__}" for kind in OURS)
"""Every type that may be built, besides plain values and numpy arrays."""
MARK = b"rebleed risk model "
DIGITS = 64
END_RECORD, END_SIZE = b"PK\x05\x06", 22
SCHEMA = "schema.json"
ADDRESS, ADDRESS_OF_PART = re.compile(r'(?<="__id__": )\d+|(?<="file": ")\d+(?=\.npy")'), re.compile(r"^\d+")
"""Where the archive's table of contents, and the names of its parts, hold addresses in memory."""
LARGEST_BYTES, LARGEST_OPEN_BYTES = 500_000_000, 2_000_000_000
MADE_BY_AUDIT = "the model.skops that rebleed audit wrote"
AGAIN = "run the audit again and use the file it writes"

MAX_LOG_HAZARD, MAX_FIGURE = 1e3, 1e12


def model_bytes(saved: SavedModel) -> bytes:
    """The model as the bytes of its file."""
    import skops.io

    body = _canonical_archive(skops.io.dumps(saved))
    header = json.dumps({"format": FORMAT, "version": metadata.version("rebleed"), "sha256": ""})[:-2]
    comment = MARK + header.encode("ascii")
    end = body.rfind(END_RECORD)
    sealed = body[: end + END_SIZE - 2] + struct.pack("<H", len(comment) + DIGITS + 2) + comment
    return sealed + hashlib.sha256(sealed).hexdigest().encode("ascii") + b'"}'


def _canonical_archive(body: bytes) -> bytes:
    """The same archive without what differs from run to run: objects' addresses in memory, and the time of day."""
    with zipfile.ZipFile(BytesIO(body)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    schema = parts.pop(SCHEMA).decode()
    numbers = {address: str(number) for number, address in enumerate(dict.fromkeys(ADDRESS.findall(schema)))}
    parts = {ADDRESS_OF_PART.sub(lambda match: numbers[match[0]], name): part for name, part in parts.items()}
    parts[SCHEMA] = ADDRESS.sub(lambda found: numbers[found[0]], schema).encode()
    archive_out = BytesIO()
    with zipfile.ZipFile(archive_out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name in sorted(parts):
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, parts[name])
    return archive_out.getvalue()


def read_model(path: Path) -> SavedModel:
    """The model in a file; nothing of the file is run.

    Raises
    ------
    UserError
        Missing, unreadable, no model file, changed since it was written (also: not the one its run's manifest names), of
        another version, or with a type that is not known.
    """
    return load_model(_bytes(path), str(path))


def load_model(content: bytes, source: str) -> SavedModel:
    """The model in these bytes; `source` names them in refusals."""
    import skops.io

    _refuse_damaged(content, source)
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            size = sum(part.file_size for part in archive.infolist())
        if size > LARGEST_OPEN_BYTES:
            raise UserError(source, "unpacks to more than 2 GB", MADE_BY_AUDIT, AGAIN)
        strange = sorted(set(skops.io.get_untrusted_types(data=content)) - set(KNOWN))
    except UserError:
        raise
    except Exception as error:
        raise UserError(source, f"cannot be read as a model: {type(error).__name__}", MADE_BY_AUDIT, AGAIN) from error
    if strange:
        names = ", ".join(strange[:3])
        raise UserError(
            source, f"holds types that no model of ours has: {names}", MADE_BY_AUDIT, "do not use this file"
        )
    try:
        model = skops.io.loads(content, trusted=KNOWN)
        _refuse_unfit(model)
    except Exception as error:
        raise UserError(source, f"is no whole risk model: {type(error).__name__}", MADE_BY_AUDIT, AGAIN) from error
    return model


def _bytes(path: Path) -> bytes:
    try:
        if not path.is_file():
            raise UserError(
                str(path), "is no file" if path.exists() else "does not exist", MADE_BY_AUDIT, "check --model"
            )
        if path.stat().st_size > LARGEST_BYTES:
            raise UserError(str(path), "is larger than 500 MB", MADE_BY_AUDIT, "check --model")
        content = path.read_bytes()
    except OSError as error:
        raise UserError(str(path), f"cannot be read: {error.strerror}", MADE_BY_AUDIT, "check --model") from error
    checksum = _recorded_checksum(path.with_name("manifest.json"))
    if checksum and checksum != hashlib.sha256(content).hexdigest():
        raise UserError(str(path), "is not the model that the manifest beside it names", MADE_BY_AUDIT, AGAIN)
    return content


def _recorded_checksum(manifest: Path) -> str | None:
    """The checksum of the model that the run beside it wrote, if there is such a run."""
    try:
        content = json.loads(manifest.read_text("utf-8"))
        return (
            str(content["model_sha256"])
            if content.get("made_by") == "rebleed" and content.get("model_sha256")
            else None
        )
    except (OSError, ValueError, AttributeError, KeyError):
        return None


def _refuse_damaged(content: bytes, source: str) -> None:
    start = content.rfind(MARK)
    if not content.startswith(b"PK") or start < 0:
        raise UserError(source, "is no risk model of rebleed", MADE_BY_AUDIT, "check --model")
    try:
        header = json.loads(content[start + len(MARK) :].decode("ascii"))
        digest, made_with = str(header["sha256"]), (int(header["format"]), str(header["version"]))
    except (ValueError, KeyError, TypeError) as error:
        raise UserError(source, "was changed or cut short since it was written", MADE_BY_AUDIT, AGAIN) from error
    if hashlib.sha256(content[: -DIGITS - 2]).hexdigest() != digest:
        raise UserError(source, "was changed since it was written: its checksum differs", MADE_BY_AUDIT, AGAIN)
    if made_with != (FORMAT, metadata.version("rebleed")):
        raise UserError(
            source,
            f"was written by rebleed {made_with[1]} (model format {made_with[0]})",
            f"a model of rebleed {metadata.version('rebleed')} (model format {FORMAT})",
            AGAIN,
        )


def _are_figures(values: object, most: float) -> bool:
    """Whether every value is a number that no fit would exceed: a figure past it would end in an overflow."""
    return bool((np.abs(np.asarray(values, dtype=float)) < most).all())


def _refuse_unfit(model: object) -> None:
    """A model whose arrays fit one another; anything else raises."""
    if not isinstance(model, SavedModel) or not isinstance(model.model, RiskModel):
        raise TypeError("not a risk model")
    part, air = model.model.hazard, model.model.air
    fits = [part.covariance.shape == (len(part.coefficients),) * 2]
    for inputs, coefficients in ((part.inputs, part.coefficients), (air.inputs, air.coefficients)):
        figures = (coefficients, inputs.centre, inputs.scale, inputs.lower, inputs.upper)
        fits += [len(x) == len(inputs.columns) for x in figures]
        fits += [_are_figures(coefficients, MAX_LOG_HAZARD), _are_figures(inputs.centre, MAX_FIGURE)]
        fits.append(_are_figures(inputs.scale, MAX_FIGURE) and bool((inputs.scale > 0).all()))
    fits += [
        _are_figures(part.covariance, MAX_FIGURE),
        _are_figures(part.window.baseline_cumulative_hazard, MAX_FIGURE),
    ]
    fits += [_are_figures(x, MAX_FIGURE) for x in (part.window.survival_to_next_bleed, *vars(air.measurement).values())]
    fits.append(
        len(part.window.baseline_cumulative_hazard) == len(part.window.survival_to_next_bleed) == model.window_days + 1
    )
    fits += [len(x) == len(READINGS) for x in vars(air.measurement).values()]
    fits += [0 < air.variance < MAX_FIGURE, 0 < air.scale < MAX_FIGURE]
    if not all(fits):
        raise ValueError("the parts of the model do not fit one another")
    model.last_day, model.saved_standard()
