"""Fields of EXIF, which is laid out as a TIFF file is: orientation and time of capture, no names."""

import re
import struct
from dataclasses import dataclass
from datetime import datetime

__all__ = ["Fields", "directory_fields", "orientation_and_time"]

SUBFILE, BITS, PHOTOMETRIC, ORIENTATION, _EXIF_DIRECTORY = 254, 258, 262, 274, 34665
_CAPTURED, _CAPTURED_OFFSET, RAW_VERSION = 36867, 36881, 50706
_BYTES_OF_KIND = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}


@dataclass(frozen=True, slots=True)
class Fields:
    """Entries of a directory of a TIFF block: tag -> (position of the value, its length in bytes).

    `whole` says that the directory and all its values lie inside the block.
    """

    block: bytes
    order: str
    entries: dict[int, tuple[int, int]]
    whole: bool

    def number(self, tag: int, otherwise: int = 0) -> int:
        """Give a whole number of 16 or 32 bits; `otherwise` where it is absent or cut off."""
        at, length = self.entries.get(tag, (0, 0))
        if length not in (2, 4) or at + length > len(self.block):
            return otherwise
        return int(struct.unpack_from(self.order + ("H" if length == 2 else "I"), self.block, at)[0])

    def text(self, tag: int) -> str:
        """Give a text, empty where it is absent."""
        at, length = self.entries.get(tag, (0, 0))
        return self.block[at : at + length].decode("ascii", "replace").strip("\0 ")


def directory_fields(block: bytes, directory: int | None = None) -> Fields:
    """Read a directory of a TIFF block (default: the first); what cannot be read is left out."""
    block = block.removeprefix(b"Exif\0\0")
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(block[:4], "")
    entries: dict[int, tuple[int, int]] = {}
    if not order:
        return Fields(block, order, entries, False)
    try:
        start = struct.unpack_from(order + "I", block, 4)[0] if directory is None else directory
        for k in range(struct.unpack_from(order + "H", block, start)[0]):
            entry = start + 2 + 12 * k
            tag, kind, count, value = struct.unpack_from(order + "HHII", block, entry)
            length = _BYTES_OF_KIND.get(kind, 0) * count
            entries[tag] = (entry + 8 if length <= 4 else value, length)
    except struct.error:
        return Fields(block, order, entries, False)
    whole = all(at + length <= len(block) for at, length in entries.values())
    return Fields(block, order, entries, whole)


def orientation_and_time(block: bytes) -> tuple[int, str | None]:
    """Orientation (1 where none is stated) and ISO time of capture, of an EXIF block or a TIFF file."""
    fields = directory_fields(block)
    orientation = fields.number(ORIENTATION, 1)
    details = (
        directory_fields(block, fields.number(_EXIF_DIRECTORY))
        if _EXIF_DIRECTORY in fields.entries
        else fields
    )
    try:
        captured = datetime.strptime(details.text(_CAPTURED), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:  # absent, or the zeros or blanks of a camera whose clock was never set
        return orientation, None
    # A zone less than a day from UTC, or none: others are no zone.
    zone = re.fullmatch(r"[+-]([01]\d|2[0-3]):[0-5]\d", details.text(_CAPTURED_OFFSET))
    return orientation, captured + (zone[0] if zone else "")
