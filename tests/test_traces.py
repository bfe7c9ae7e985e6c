"""What looks for secrets finds them: hidden in every way that it claims to see through."""

import base64
import gzip
import json
import re
import sqlite3
import zipfile
import zlib
from contextlib import closing

import pytest

from tests.traces import traces, ways_to_write

WORD = "quokkaberyl"


def sqlite_with(path, cell):
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("CREATE TABLE kept (cell)")
        db.execute("INSERT INTO kept VALUES (?)", (cell,))


HIDDEN = {
    "bare": lambda path, text: path.write_text(text),
    "UTF-16": lambda path, text: path.write_text(text, encoding="utf-16-be"),
    "JSON": lambda path, text: path.write_text(json.dumps({"cell": [text]})),
    "base64": lambda path, text: path.write_bytes(base64.b64encode(text.encode())),
    "gzip": lambda path, text: path.write_bytes(gzip.compress(text.encode())),
    "a cell": lambda path, text: sqlite_with(path, "-" * 4050 + text),
    "a packed cell": lambda path, text: sqlite_with(path, zlib.compress(text.encode())),
    "a zip": lambda path, text: zipfile.ZipFile(path, "w", 8).writestr("one.txt", text),
}


@pytest.mark.parametrize("way", HIDDEN)
@pytest.mark.parametrize("before", ["", "a", "ab"])
def test_a_word_is_found_however_it_is_written(tmp_path, way, before):
    patterns = [re.escape(one) for one in ways_to_write(WORD)]
    (tmp_path / "deeper").mkdir()
    HIDDEN[way](tmp_path / "deeper" / "file", f"{before}{'-' * 300}{WORD} at the end")

    assert traces([tmp_path], patterns)
    assert not traces([tmp_path], [re.escape(one) for one in ways_to_write("quokkabasil")])
