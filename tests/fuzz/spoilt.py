"""A good file spoilt by lot, in a few places: bytes turned, cut, doubled, moved, or hostile text put in."""

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
INSIDE = ("sheet", "shared", "schema")
"""Names of the parts of an archive that say most."""
MOST_CHANGES = 6
PACKED = b"PK\x03\x04"


def spoilt(good: bytes, lot: random.Random) -> bytes:
    """The file with one to six changes; a packed one as often inside as outside."""
    if good.startswith(PACKED) and lot.random() < 0.6:
        return _packed_anew(good, lot)
    return _changed(good, lot)


def _changed(data: bytes, lot: random.Random) -> bytes:
    found = bytearray(data)
    for _ in range(lot.randint(1, MOST_CHANGES)):
        a, b = sorted(lot.randrange(len(found) + 1) for _ in range(2))
        b = min(b, a + lot.choice((1, 4, 40, 400)))
        change = lot.randrange(7)
        if change == 0 and found:
            found[min(a, len(found) - 1)] ^= 1 << lot.randrange(8)
        elif change == 1:
            del found[a:b]
        elif change == 2:
            found[a:a] = found[a:b] * lot.randint(1, 3)
        elif change == 3:
            found = found[: max(a, 1)]
        elif change == 4:
            found[a:b] = bytes(lot.randrange(256) for _ in range(min(b - a, 8)))
        else:
            found[a : b if change == 5 else a] = lot.choice(HOSTILE)
    return bytes(found)


def _packed_anew(data: bytes, lot: random.Random) -> bytes:
    """One member of an archive changed, the archive itself whole."""
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as new:
        members = old.namelist()
        chosen = lot.choice([name for name in members if any(part in name for part in INSIDE)] * 4 + members)
        for name in members:
            inside = old.read(name)
            new.writestr(name, _changed(inside, lot) if name == chosen else inside)
    return held.getvalue()
