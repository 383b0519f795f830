"""A skops archive dressed as a model file of ours, its digest right."""

from __future__ import annotations

import hashlib
import json
import struct

from analysis.risk.persistence import DIGITS, END_RECORD, FORMAT, MARK


def sealed(body: bytes, version: str = "0.1.0", model_format: int = FORMAT) -> bytes:
    """Any skops archive with a right digest and our mark, as one who means harm would make it."""
    comment = MARK + json.dumps({"format": model_format, "version": version, "sha256": ""})[:-2].encode()
    end = body.rfind(END_RECORD)
    whole = body[: end + 20] + struct.pack("<H", len(comment) + DIGITS + 2) + comment
    return whole + hashlib.sha256(whole).hexdigest().encode() + b'"}'
