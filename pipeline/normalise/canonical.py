"""The canonical form of rows, RFC 8785 for objects of text and whole numbers, and the digests over it; whole columns.

Keys are put in order here; polars writes strings with the escapes that RFC 8785 asks for (a test holds it to the
`rfc8785` package).
"""

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from hashlib import sha256

import polars as pl
from polars import selectors

DIGEST_BYTES = 16  # kept of each 32: that two of 2^40 rows agree by chance: 2^-49 (birthday bound)
BLOCK_BYTES = 64  # of SHA-256: FIPS 180-4
INNER, OUTER = (bytes(byte ^ pad for byte in range(256)) for pad in (0x36, 0x5C))  # RFC 2104


def ordered(names: Iterable[str]) -> list[str]:
    """Names in the order of RFC 8785: by their UTF-16 code units."""
    return sorted(names, key=lambda name: name.encode("utf-16-be"))


def column(name: str) -> pl.Expr:
    """The column of that very name; `pl.col` would take one such as `*` for a pattern of names."""
    return selectors.by_name(name).as_expr()


def member(name: str) -> pl.Expr:
    """`"name":value` as text."""
    return pl.struct(column(name)).struct.json_encode().str.strip_prefix("{").str.strip_suffix("}")


def objects(frame: pl.DataFrame, omitted: Collection[str] = ()) -> pl.Series:
    """Each row as an object; columns in `omitted` are left out of the rows in which they are null."""
    if not omitted:
        return frame.select(pl.struct(map(column, ordered(frame.columns))).struct.json_encode()).to_series()
    parts = [
        pl.when(column(name).is_not_null()).then(member(name)) if name in omitted else member(name)
        for name in ordered(frame.columns)
    ]
    joined = pl.concat_str(parts, separator=",", ignore_nulls=True)
    return frame.select(pl.concat_str(pl.lit("{"), joined, pl.lit("}"))).to_series()


def envelopes(rows: pl.DataFrame, told: Mapping[str, Sequence[pl.Expr | str]], plain: Iterable[str]) -> pl.Series:
    """Each row as an object of the columns in `plain`, and of what `told` gives as JSON already.

    Parameters
    ----------
    told : name → what stands one behind the other for its value: text that all rows share, and columns without nulls
    """
    parts: list[pl.Expr] = []
    shared = "{"
    for name in ordered([*plain, *told]):
        shared += "" if shared == "{" and not parts else ","
        if name in told:
            shared += f"{json.dumps(name, ensure_ascii=False)}:"
        for piece in told.get(name, [member(name)]):
            if isinstance(piece, str):
                shared += piece
            else:
                parts += [pl.lit(shared), piece]
                shared = ""
    return rows.select(pl.concat_str(*parts, pl.lit(shared + "}"))).to_series()


def digests(lead: str, texts: pl.Series) -> pl.Series:
    """The first `DIGEST_BYTES` of the SHA-256 of each text behind the lead."""
    copy = sha256(lead.encode()).copy
    found = []
    for text in texts.cast(pl.Binary).to_list():
        digest = copy()
        digest.update(text)
        found.append(digest.digest())
    return pl.Series(found, dtype=pl.Binary).bin.head(DIGEST_BYTES)


def keyed_digests(secret: bytes, lead: str, texts: pl.Series) -> pl.Series:
    """The first `DIGEST_BYTES` of the HMAC-SHA-256 (RFC 2104) of each text behind the lead, under the book's secret.

    The two blocks that hold the key are hashed once, not once a row.
    """
    if len(secret) > BLOCK_BYTES:
        secret = sha256(secret).digest()
    key = secret.ljust(BLOCK_BYTES, b"\x00")
    inner = sha256(key.translate(INNER) + lead.encode()).copy
    outer = sha256(key.translate(OUTER)).copy
    found = []
    for text in texts.cast(pl.Binary).to_list():
        within, digest = inner(), outer()
        within.update(text)
        digest.update(within.digest())
        found.append(digest.digest())
    return pl.Series(found, dtype=pl.Binary).bin.head(DIGEST_BYTES)
