"""A scan file as bytes and as text: opening it, and finding its encoding.

Only the bytes of numbers matter for the result, and those are ASCII in every
encoding met here; the encoding decides names and header lines.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from specfrac.errors import InputError, ScanFileError

MAX_BYTES = 512 * 1024 * 1024
"""A rule of ours: a larger file is no scan file, and would only fill the memory."""

MOST_LINES = 500_000
"""A rule of ours: two thousand wells at 250 wavelengths, one a line."""

MAX_BYTES_OF_A_PIPE = 32 * 1024 * 1024
_PIECE = 4 * 1024 * 1024
_MARKS = (  # utf-32 first: its mark starts with that of utf-16
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
_UNITS = {"utf-16": 2, "utf-16-le": 2, "utf-16-be": 2, "utf-32": 4}


@dataclass(frozen=True, slots=True)
class FileContent:
    """What a file holds, and what the caller said about it.

    Attributes
    ----------
    name, stem : str
        File name with and without its ending; messages use the first.
    data : bytes
    encoding : str or None
        As the caller gave it.
    quantity : str or None
        As the caller gave it, one of `specfrac.loading.ordinate.QUANTITIES`.
    """

    name: str
    stem: str
    data: bytes
    encoding: str | None = None
    quantity: str | None = None


@dataclass(frozen=True, slots=True)
class Text:
    """A file's text with every line end turned into a line feed."""

    text: str
    encoding: str


def open_content(
    path: str | os.PathLike[str], *, encoding: str | None = None, quantity: str | None = None
) -> FileContent:
    """Read a file whole.

    Raises
    ------
    ScanFileError
        If the file is missing, not a file, unreadable, too large or empty.
    """
    place = os.fsdecode(path)
    name = os.path.basename(place) or place
    try:
        data = _read_all(place)
    except FileNotFoundError:
        raise ScanFileError(
            f"{name}: there is no such file in {Path(place).parent}. Check the path."
        ) from None
    except IsADirectoryError:
        raise ScanFileError(f"{name} is a folder, not a scan file. Name a file in it.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ScanFileError(
            f"{name} cannot be opened ({reason}). Check the path and its permissions."
        ) from None
    if data is None:
        raise ScanFileError(
            f"{name} is larger than {MAX_BYTES // 1024**2} MB, the most a scan file may have. "
            "Split it, or name the file of scans."
        )
    blank = b"\x00\x1a \t\r\n\xef\xbb\xbf\xff\xfe"
    if not data[:4096].strip(blank) and not data.strip(blank):
        raise ScanFileError(f"{name} is empty. Export the scan again.")
    return FileContent(name, os.path.splitext(name)[0], data, encoding, quantity)


def _read_all(place: str) -> bytes | None:
    """Return the bytes of a file, or None when there are too many.

    The bare system calls take half the time of a file object. A pipe or device
    has no size, and may never end.
    """
    file = os.open(place, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        size = os.fstat(file).st_size
        limit = MAX_BYTES if size else MAX_BYTES_OF_A_PIPE
        if size > limit:
            return None
        data = os.read(file, size + 1)
        if len(data) == size:
            return data
        pieces = [data]
        while pieces[-1] and sum(map(len, pieces)) <= limit:
            pieces.append(os.read(file, _PIECE))
    finally:
        os.close(file)
    data = b"".join(pieces)
    return data if len(data) <= limit else None


def decode(content: FileContent) -> Text:
    """Return the file's text and the name of its encoding.

    The order of trust: what the caller said, a byte order mark, the zeros of
    UTF-16, UTF-8, and last, line by line, Latin-1 or Shift-JIS.

    Raises
    ------
    InputError
        If the caller's encoding is unknown.
    ScanFileError
        If the bytes are no text.
    """
    data = content.data
    if content.encoding is None and data.isascii() and 0 not in data:
        return Text(_one_line_end(data.rstrip(b"\x1a").decode("ascii")), "ascii")
    encoding = content.encoding or _marked(data)
    if encoding is None and 0 in data:
        data = data.rstrip(b"\x00")
        encoding = _unmarked_utf16(data) if 0 in data else None
    if encoding is not None:
        return _decode_as(content, data, encoding)
    data = data.rstrip(b"\x1a\x00")
    if data.isascii():
        return Text(_one_line_end(data.decode("ascii")), "ascii")
    try:
        return Text(_one_line_end(data.decode("utf-8")), "utf-8")
    except UnicodeDecodeError:
        return _decode_line_by_line(data)


def lines_of(text: Text, file: str) -> list[str]:
    """Return the lines of a file's text.

    Raises
    ------
    ScanFileError
        If there are more than any scan file has.
    """
    if len(text.text) > MOST_LINES and text.text.count("\n") > MOST_LINES:
        raise ScanFileError(
            f"{file} has more than {MOST_LINES} lines, the most a scan file may have. "
            "Split it, or name the file of scans."
        )
    return text.text.split("\n")


def _marked(data: bytes) -> str | None:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return encoding
    return None


def _unmarked_utf16(data: bytes) -> str:
    head = data[:4096]
    even, odd = head[::2].count(0), head[1::2].count(0)
    if odd > 0.3 * len(head) / 2 and even == 0:
        return "utf-16-le"
    if even > 0.3 * len(head) / 2 and odd == 0:
        return "utf-16-be"
    return "binary"


def _decode_as(content: FileContent, data: bytes, encoding: str) -> Text:
    if encoding == "binary":
        raise ScanFileError(
            f"{content.name} is a binary file, not text. Export the scan as text (CSV)."
        )
    unit = _UNITS.get(encoding, 1)
    data = data[: len(data) // unit * unit]  # a file cut inside a character
    try:
        text = data.decode(encoding)
    except LookupError:
        raise InputError(
            f"encoding {encoding!r} is unknown. Give a name such as 'utf-8' or 'latin-1'."
        ) from None
    except (UnicodeError, ValueError) as error:
        at = getattr(error, "start", None)
        where = "" if at is None else f" at byte {at + 1}"
        raise ScanFileError(
            f"{content.name}{where}: the bytes are not {encoding} text. Give the file's encoding."
        ) from None
    if not isinstance(text, str) or "\x00" in text:
        raise ScanFileError(
            f"{content.name}: decoded as {encoding} the file holds zero characters; it is a binary "
            "file, or its encoding is another one. Export the scan as text (CSV)."
        )
    text = text.removeprefix("\ufeff").rstrip("\x1a")
    return Text(_one_line_end(text), "utf-8" if encoding == "utf-8-sig" else encoding)


def _one_line_end(text: str) -> str:
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text


def _decode_line_by_line(data: bytes) -> Text:
    """Decode bytes that are no UTF-8 as a whole; a trailer may have its own encoding."""
    lines = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    foreign = [line for line in lines if not line.isascii() and not _is_utf8(line)]
    fallback = "cp932" if _looks_like_shift_jis(foreign) else "latin-1"
    text = "\n".join(
        line.decode("utf-8") if line.isascii() or _is_utf8(line) else line.decode(fallback)
        for line in lines
    )
    return Text(text, "shift-jis" if fallback == "cp932" else fallback)


def _is_utf8(line: bytes) -> bool:
    try:
        line.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _looks_like_shift_jis(lines: list[bytes]) -> bool:
    """Whether most characters above ASCII are two-byte ones of Japanese text.

    A trap: "Länge" and "µ" are valid Shift-JIS too, so validity alone proves
    nothing. Lead bytes 0x81-0x9f are control characters in Latin-1.
    """
    pairs = others = 0
    for line in lines:
        try:
            decoded = line.decode("cp932")
        except UnicodeDecodeError:
            return False
        for character in decoded:
            if ord(character) > 127:
                raw = character.encode("cp932")
                if len(raw) == 2 and raw[0] <= 0x9F:
                    pairs += 1
                else:
                    others += 1
    return pairs >= 2 and pairs > others
