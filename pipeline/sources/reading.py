"""A file's bytes → its rows of text: the encoding is found out, and each form is read by its own reader."""

from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE, getincrementaldecoder, lookup

from pipeline.errors import SourceError
from pipeline.sources.profile import Profile
from pipeline.sources.spreadsheet import read_spreadsheet
from pipeline.sources.tables import RawTable, read_csv, read_json_lines, read_lines, read_toml

PEEK = 1 << 12  # bytes that hold something in every file but an odd one
PIECE = 1 << 24  # bytes looked at in one go: bounds memory
NOTHING = b"\x00 \t\r\n"


def read_table(data: bytes, name: str, form: str, profile: Profile | None = None) -> RawTable:
    """The rows of a file.

    Parameters
    ----------
    data : the file, byte for byte
    name : its name, for messages
    form : csv, jsonl, xlsx, lines or toml

    Raises
    ------
    SourceError : if there is nothing to read: an empty file, or one without a header.
    """
    if not data[:PEEK].strip(NOTHING) and not data.strip(NOTHING):
        raise SourceError(f"{name}: the file is empty. Export it again.")
    if form == "xlsx":
        return read_spreadsheet(data, name)
    encoding = profile.encoding if profile else None
    if form == "lines":
        return read_lines(decode(data, encoding))
    if form == "toml":
        return read_toml(decode(data, encoding), name)
    data = as_utf8(data, encoding)
    if form == "jsonl":
        return read_json_lines(data, is_flattened=profile is not None)
    return read_csv(data, name, profile.delimiter if profile else None)


def as_utf8(data: bytes, encoding: str | None) -> bytes:
    """The text of a file in UTF-8 without a byte order mark, lines ended with LF where they were with CRLF."""
    if data.startswith(BOM_UTF8) or encoding and not is_utf8_name(encoding) or not is_utf8(data):
        data = decode(data, encoding).encode("utf-8", "replace")
    return data.replace(b"\r\n", b"\n") if b"\r" in data else data


def is_utf8_name(encoding: str) -> bool:
    """Whether an encoding is UTF-8 by any of its names."""
    try:
        return lookup(encoding).name == "utf-8"
    except LookupError:
        return False


def is_utf8(data: bytes) -> bool:
    """Whether all of a file is UTF-8, looked at piece by piece."""
    if data.isascii():
        return True
    decoder = getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(data), PIECE):
            decoder.decode(data[start : start + PIECE])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def decode(data: bytes, encoding: str | None = None) -> str:
    """The text of a file: by its byte order mark, as UTF-8, and line by line as Windows-1252 where that fails."""
    for mark, codec in ((BOM_UTF8, "utf-8-sig"), (BOM_UTF16_LE, "utf-16"), (BOM_UTF16_BE, "utf-16")):
        if data.startswith(mark):
            return data.decode(codec, errors="replace")
    if encoding:
        try:
            return data.decode(encoding, errors="replace")
        except LookupError as error:
            raise SourceError(f"encoding {encoding!r} is not known. Use utf-8, utf-16 or cp1252.") from error
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return "".join(decode_line(line) for line in data.splitlines(keepends=True))


def decode_line(line: bytes) -> str:
    """One line of a file that mixes encodings."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")
