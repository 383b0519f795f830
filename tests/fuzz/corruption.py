"""Corrupt a good file at random in a few places: bytes changed, removed or repeated, or hostile text inserted."""

from __future__ import annotations

import io
import random
import zipfile

HOSTILE = (
    b"", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b'""', b"'", b",", b";", b"\t", b"|", b"\r", b"\n", b"\r\n", b"\n\n\n",
    b"=1+1", b"-", b"NaN", b"nan", b"inf", b"-inf", b"1e999", b"1e-999", b"9" * 40, b"-9223372036854775809", b"0x10", b"1,5",
    b"1.234,56", b"2026-13-45", b"0000-00-00", b"9999-12-31T23:59:59", b"2026-01-05T25:61:00+99:99", b"31.02.2026", b"46027",
    b"true", b"{}", b"[]", b"[[[[", b"{{{{", b"null", b"\\u0000", b"\\ud800", "İıſß".encode(), "\u202e\u200b".encode(),
    "٣٤".encode(), b"\xc3", b"\xe9", b"__row__", b"__text__", b"session_id", b"own.x", b"sep=;\n", b"Total", b"(3 rows)", b"---",
    b"a" * 5000, b"<script>", b"${HOME}", b"../../etc", b"[sessions]", b"[[step]]", b"min = nan", b"max = -inf", b"= = =",
    b"id = []", b"\x1b[31m", b"1979-05-27T07:32:00Z", b"0b1", b"+1", b"_",
)  # fmt: skip
IMPORTANT_PARTS = ("sheet", "shared", "schema")
"""Names of the most important parts of a workbook."""
MOST_CHANGES = 6
ZIP_SIGNATURE = b"PK\x03\x04"


def corrupt(good: bytes, rng: random.Random) -> bytes:
    """The file with one to six changes; an archive is changed more often inside than outside."""
    if good.startswith(ZIP_SIGNATURE) and rng.random() < 0.6:
        return _changed_archive(good, rng)
    return _changed(good, rng)


def _changed(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.randint(1, MOST_CHANGES)):
        a, b = sorted(rng.randrange(len(changed) + 1) for _ in range(2))
        b = min(b, a + rng.choice((1, 4, 40, 400)))
        change = rng.randrange(7)
        if change == 0 and changed:
            changed[min(a, len(changed) - 1)] ^= 1 << rng.randrange(8)
        elif change == 1:
            del changed[a:b]
        elif change == 2:
            changed[a:a] = changed[a:b] * rng.randint(1, 3)
        elif change == 3:
            changed = changed[: max(a, 1)]
        elif change == 4:
            changed[a:b] = bytes(rng.randrange(256) for _ in range(min(b - a, 8)))
        else:
            changed[a : b if change == 5 else a] = rng.choice(HOSTILE)
    return bytes(changed)


def _changed_archive(data: bytes, rng: random.Random) -> bytes:
    """An intact archive with one changed member."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        members = old.namelist()
        chosen = rng.choice([name for name in members if any(part in name for part in IMPORTANT_PARTS)] * 4 + members)
        for name in members:
            inside = old.read(name)
            new.writestr(name, _changed(inside, rng) if name == chosen else inside)
    return buffer.getvalue()
