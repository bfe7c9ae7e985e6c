"""Looks for a secret in every file of some folders, in whichever way it may have been written."""

from __future__ import annotations

import base64
import gzip
import re
import sqlite3
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from pathlib import Path

_ZLIB_HEADS = (b"\x78\x01", b"\x78\x5e", b"\x78\x9c", b"\x78\xda")


def ways_to_write(word: str) -> set[bytes]:
    """Bytes that are in a file in which a word of plain letters stands, however it is encoded.

    Plain letters are the same in UTF-8, JSON, HTML and addresses.
    """
    plain = word.encode("ascii")
    ways = {plain, word.encode("utf-16-le")[:-1]}  # which is in either order of bytes
    for shift in range(3):
        # What comes before and after changes the letters at both ends.
        coded = base64.b64encode(b"\0" * shift + plain)
        whole = len(b"\0" * shift + plain) // 3 * 4
        ways.add(coded[4 if shift else 0 : whole])
    return ways


def _in_sqlite(path: Path) -> Iterator[bytes]:
    """Every cell: long ones are spread over pages, so that the file's bytes do not show them."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as db:
        names = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        for name in names:
            for row in db.execute(f'SELECT * FROM "{name}"'):
                for cell in row:
                    if isinstance(cell, (str, bytes)):
                        content = cell.encode() if isinstance(cell, str) else cell
                        yield content
                        yield from _unpacked(content)


def _unpacked(content: bytes) -> Iterator[bytes]:
    with suppress(OSError, EOFError, zlib.error):
        if content[:2] == b"\x1f\x8b":
            yield gzip.decompress(content)
        elif content[:2] in _ZLIB_HEADS:
            yield zlib.decompress(content)


def _contents(path: Path) -> Iterator[bytes]:
    with suppress(OSError):  # a socket, or gone meanwhile
        content = path.read_bytes()
        yield content
        yield from _unpacked(content)
        if content.startswith(b"SQLite format 3\0"):
            with suppress(sqlite3.DatabaseError):
                yield from _in_sqlite(path)
        elif zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                yield from (archive.read(name) for name in archive.namelist())


def traces(folders: Iterable[Path], patterns: Iterable[bytes]) -> list[tuple[str, bytes]]:
    """Files in which one of some regular expressions is found, each with what was found."""
    looked_for = [re.compile(pattern) for pattern in patterns]
    found = []
    for folder in folders:
        for path in sorted(one for one in folder.rglob("*") if one.is_file()):
            for content in _contents(path):
                for pattern in looked_for:
                    match = pattern.search(content)
                    if match:
                        found.append((str(path.relative_to(folder)), match.group()))
    return found
