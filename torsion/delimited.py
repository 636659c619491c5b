"""Delimited text: a table as spreadsheets save it, whatever their separator, encoding and decimal mark."""

import csv
import io
import math

__all__ = ["read_delimited", "read_number"]

_DELIMITERS = (",", ";", "\t")


def read_delimited(data: bytes) -> list[list[str]]:
    """Cells of a table, line by line, from its heading on; the delimiter is told from the heading.

    Commas, semicolons or tabs delimit, and lines before the heading that are empty or name the delimiter are
    passed over.  Text is UTF-8, UTF-16 with its mark, or else Windows-1252.  Without any text the table is
    empty.

    Raises
    ------
    ValueError
        If the bytes are no text, or the text is no table; the message goes on after the name of the file.
    """
    lines = _text(data).splitlines(keepends=True)
    if lines and lines[0].strip().lower() in ("sep=,", "sep=;", "sep=\\t"):  # written by a spreadsheet
        lines = lines[1:]
    lines = lines[next((k for k, line in enumerate(lines) if line.strip(",;\t\r\n ")), len(lines)) :]
    if not lines:
        return []
    delimiter = max(_DELIMITERS, key=lambda mark: len(next(csv.reader([lines[0]], delimiter=mark))))
    try:
        return list(csv.reader(io.StringIO("".join(lines), newline=""), delimiter=delimiter, strict=True))
    except csv.Error as fault:
        msg = f"is no CSV that can be read: {fault}"
        raise ValueError(msg) from fault


def _text(data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings: tuple[str, ...] = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252")  # what spreadsheets write where they are not told otherwise
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    msg = "is no CSV that can be read: its bytes are neither UTF-8, UTF-16 nor Windows-1252"
    raise ValueError(msg)


def read_number(text: str) -> float:
    """Read a number, its decimal mark a point or a comma; NaN where the text is no finite number.

    Examples
    --------
    >>> read_number("3,5"), read_number("1e3"), read_number("inf")
    (3.5, 1000.0, nan)
    """
    try:
        number = float(text if "." in text else text.replace(",", "."))
    except ValueError:
        return math.nan
    return number if math.isfinite(number) else math.nan
