"""A skops archive made to look like a rebleed model file, with a correct digest."""

from __future__ import annotations

import hashlib
import json
import struct

from analysis.risk.persistence import ARCHIVE_TAG, DIGEST_LENGTH, END_RECORD, FORMAT


def sealed(body: bytes, version: str = "0.1.0", model_format: int = FORMAT) -> bytes:
    """Any skops archive with a correct digest and the model file's tag, as an attacker would make it."""
    comment = ARCHIVE_TAG + json.dumps({"format": model_format, "version": version, "sha256": ""})[:-2].encode()
    end = body.rfind(END_RECORD)
    whole = body[: end + 20] + struct.pack("<H", len(comment) + DIGEST_LENGTH + 2) + comment
    return whole + hashlib.sha256(whole).hexdigest().encode() + b'"}'
