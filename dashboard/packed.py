"""Answers in gzip: files that never change are packed once, the small ones made for each request at once.

Brotli is offered by browsers only over https, so that on a local network gzip is what there is. A script is
packed at its first request and kept in a folder; systemd's CacheDirectory= keeps it over restarts.
"""

from __future__ import annotations

import gzip
import hashlib
import mimetypes
import os
import tempfile
import threading
from pathlib import Path

from flask import Request, Response, send_file

LEAST_BYTES = 600
"""A smaller answer fits into one packet of a network anyway (our choice: half an Ethernet frame)."""

FILE_LEVEL, ANSWER_LEVEL, SHARED_LEVEL = 9, 4, 6
"""zlib's effort: once for a file, for each answer (our choice: 4 takes a third of 9's time and 5 % more bytes
of our own HTML), and for one that many get (`shared`)."""

KEEP_S = 365 * 24 * 3600
"""A script's address changes with its version, so that a phone may keep it for a year."""

PACKABLE = (
    "text/",
    "application/json",
    "application/javascript",
    "application/openmetrics-text",
    "image/svg+xml",
)


class PackedFiles:
    """Gzip copies of files, each made when it is first asked for."""

    def __init__(self, folder: Path | None = None) -> None:
        """folder keeps the copies; without one systemd's cache folder, or one that ends with the process."""
        kept = folder or os.environ.get("CACHE_DIRECTORY")
        if not kept:
            self._temporary = tempfile.TemporaryDirectory(prefix="nightbank-page-")
            kept = self._temporary.name
        self.folder = Path(kept)

    def packed(self, path: Path) -> Path:
        """The gzip copy of a file; of one that changed (other size or time) a new one."""
        stat = path.stat()
        key = hashlib.sha256(f"{path}\n{stat.st_size}\n{stat.st_mtime_ns}".encode()).hexdigest()[:24]
        copy = self.folder / f"{key}.gz"
        if not copy.exists():
            part = copy.with_suffix(f".{os.getpid()}-{threading.get_ident()}.part")
            with gzip.GzipFile(part, "wb", FILE_LEVEL, mtime=0) as into, path.open("rb") as source:
                while block := source.read(64 * 1024):
                    into.write(block)
            part.replace(copy)  # two threads make the same bytes: whoever is last wins
        return copy


def send_packed(packed: PackedFiles, path: Path, request: Request, *, keep: bool) -> Response:
    """A file, packed where the browser understands it. One whose address changes with its content (keep) may
    stay in the phone."""
    kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    sent = packed.packed(path) if takes_gzip(request) else path
    response = send_file(sent, mimetype=kind, max_age=KEEP_S if keep else None)
    if keep:
        response.cache_control.immutable = True
    response.vary.add("Accept-Encoding")
    if sent is not path:
        response.headers["Content-Encoding"] = "gzip"
    return response


def takes_gzip(request: Request) -> bool:
    """Whether the asking browser understands gzip."""
    return request.accept_encodings.quality("gzip") > 0


def pack(text: bytes) -> bytes:
    """In gzip what many will get."""
    return gzip.compress(text, SHARED_LEVEL, mtime=0)


def pack_answer(request: Request, response: Response) -> Response:
    """The answer in gzip where that is understood and worth it."""
    packable = (response.mimetype or "").startswith(PACKABLE) and not response.is_streamed
    if packable:
        response.vary.add("Accept-Encoding")
    if not packable or "Content-Encoding" in response.headers or not takes_gzip(request):
        return response
    plain = response.get_data()
    if len(plain) >= LEAST_BYTES:
        response.set_data(gzip.compress(plain, ANSWER_LEVEL, mtime=0))
        response.headers["Content-Encoding"] = "gzip"
    return response
