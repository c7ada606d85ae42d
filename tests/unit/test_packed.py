"""Gzip copies: the file's own bytes come back, a changed file is packed anew, small answers stay plain."""

import gzip
import os
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from flask import Flask, Response

from dashboard.packed import LEAST_BYTES, PackedFiles, pack_answer


def test_the_copy_holds_the_file_and_is_made_once(tmp_path):
    script = tmp_path / "a.js"
    script.write_bytes(b"let a = 1;\n" * 1000)
    packed = PackedFiles(tmp_path)
    copy = packed.packed(script)
    assert gzip.decompress(copy.read_bytes()) == script.read_bytes()
    assert copy.stat().st_size < script.stat().st_size / 20
    made = copy.stat().st_mtime_ns
    assert packed.packed(script) == copy
    assert copy.stat().st_mtime_ns == made


def test_a_changed_file_is_packed_anew(tmp_path):
    script = tmp_path / "a.js"
    script.write_text("old")
    packed = PackedFiles(tmp_path)
    packed.packed(script)
    script.write_text("new words")
    os.utime(script, ns=(1, 1))
    assert gzip.decompress(packed.packed(script).read_bytes()) == b"new words"


def test_systemds_cache_folder_is_used_where_it_is_given(tmp_path, monkeypatch):
    monkeypatch.setenv("CACHE_DIRECTORY", str(tmp_path))
    assert PackedFiles().folder == tmp_path
    monkeypatch.delenv("CACHE_DIRECTORY")
    assert PackedFiles().folder.is_dir()


@pytest.mark.parametrize(
    ("size", "asked", "kind", "expected"),
    [
        (LEAST_BYTES, "gzip, deflate", "text/html", "gzip"),
        (LEAST_BYTES - 1, "gzip", "text/html", None),
        (5000, "", "text/html", None),
        (5000, "gzip", "image/png", None),
    ],
)
def test_an_answer_is_packed_where_that_is_understood_and_worth_it(size, asked, kind, expected):
    app = Flask("test")
    with app.test_request_context(headers={"Accept-Encoding": asked}) as context:
        response = pack_answer(context.request, Response("x" * size, mimetype=kind))
    assert response.headers.get("Content-Encoding") == expected
    body = gzip.decompress(response.get_data()) if expected else response.get_data()
    assert body == b"x" * size


def test_two_phones_that_ask_first_at_the_same_time_both_get_the_whole_file(tmp_path):
    source = tmp_path / "script.js"
    source.write_bytes(os.urandom(400_000))
    for turn in range(5):
        files = PackedFiles(folder=tmp_path / str(turn))
        files.folder.mkdir()
        together = Barrier(4)

        def ask(_, files=files, together=together):
            together.wait()
            return gzip.decompress(files.packed(source).read_bytes())

        with ThreadPoolExecutor(4) as phones:
            assert set(phones.map(ask, range(4))) == {source.read_bytes()}
