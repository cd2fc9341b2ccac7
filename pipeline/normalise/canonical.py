"""The canonical form of rows, RFC 8785 for objects of text and whole numbers, and the digests over it; whole columns.

Keys are put in order here; polars writes strings with the escapes that RFC 8785 asks for (a test holds it to the
`rfc8785` package).
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from hashlib import sha256

import polars as pl
from polars import selectors

DIGEST_BYTES = 16  # kept of each 32: that two of 2^40 rows agree by chance: 2^-49 (birthday bound)
FEW = 2_048  # texts handed from polars to Python at a time: our choice
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


def objects(frame: pl.DataFrame) -> pl.Series:
    """Each row as an object."""
    return frame.select(pl.struct(map(column, ordered(frame.columns))).struct.json_encode()).to_series()


def members(columns: Sequence[pl.Series], *, omits_null: bool = False) -> pl.Series:
    """Columns as members of an object, `"name":value` with commas between; null where one that `omits_null` is."""
    frame = pl.DataFrame({values.name: values for values in columns})
    told = pl.struct(map(column, frame.columns)).struct.json_encode().str.strip_prefix("{").str.strip_suffix("}")
    return frame.select(pl.when(column(frame.columns[0]).is_not_null()).then(told) if omits_null else told).to_series()


def joined(parts: Iterable[pl.Series]) -> pl.Series:
    """Objects of members in the order given; a part that is null is left out."""
    several = list(parts)
    frame = pl.DataFrame([part.alias(str(place)) for place, part in enumerate(several)])
    if any(part.null_count() for part in several):
        inside = pl.concat_str(frame.columns, separator=",", ignore_nulls=True)
        return frame.select(pl.concat_str(pl.lit("{"), inside, pl.lit("}"))).to_series()
    between = [piece for name in frame.columns for piece in (pl.lit("," if name != "0" else "{"), pl.col(name))]
    return frame.select(pl.concat_str(*between, pl.lit("}"))).to_series()


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


def as_bytes(texts: pl.Series) -> Iterator[bytes]:
    """The texts in UTF-8; few are held at a time, so that they stay where the processor reaches them at once."""
    for some in texts.cast(pl.Binary).to_frame().iter_slices(FEW):
        yield from some.to_series().to_list()


def digests(lead: str, texts: pl.Series) -> pl.Series:
    """The first `DIGEST_BYTES` of the SHA-256 of each text behind the lead."""
    copy = sha256(lead.encode()).copy
    found = []
    for text in as_bytes(texts):
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
    for text in as_bytes(texts):
        within, digest = inner(), outer()
        within.update(text)
        digest.update(within.digest())
        found.append(digest.digest())
    return pl.Series(found, dtype=pl.Binary).bin.head(DIGEST_BYTES)
