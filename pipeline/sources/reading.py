"""A file's bytes → its rows of text: the encoding is found out, and each form is read by its own reader."""

from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE

from pipeline.errors import SourceError
from pipeline.sources.profile import Profile
from pipeline.sources.spreadsheet import read_spreadsheet
from pipeline.sources.tables import RawTable, read_csv, read_json_lines, read_lines, read_toml


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
    if not data.strip(b"\x00 \t\r\n"):
        raise SourceError(f"{name}: the file is empty. Export it again.")
    if form == "xlsx":
        return read_spreadsheet(data, name)
    text = decode(data, profile.encoding if profile else None)
    if form == "lines":
        return read_lines(text)
    if form == "toml":
        return read_toml(text, name)
    if form == "jsonl":
        return read_json_lines(text)
    return read_csv(text, name, profile.delimiter if profile else None)


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
