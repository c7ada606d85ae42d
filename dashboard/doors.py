"""What every request must be before anything looks at it: method, size, kind and where it comes from. Pure.

A foreign page can make a visitor's browser send a form here. It cannot hide where that form came from:
browsers name it in Origin (RFC 6454) and Sec-Fetch-Site (W3C Fetch Metadata). Both are looked at where they
are present; the one-time tokens of the forms (`sessions`) stand behind them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from werkzeug.datastructures import Headers

Heads = Headers | Mapping[str, str]
"""A request's headers by their names."""

READS = ("GET", "HEAD")
FORM = "application/x-www-form-urlencoded"

LARGEST_FORM_BYTES = 16 * 1024
"""The hydrometer's form with 96 cells and the longest text, all of it encoded, is smaller (our choice)."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request is not answered: an HTTP status and a sentence."""

    status: int
    text: str
    allow: tuple[str, ...] = ()


def wrong_method(method: str, path: str, posts: Collection[str]) -> Refusal | None:
    """Only reading, and POST where something is taken."""
    allowed = (*READS, "POST") if path in posts else READS
    if method in allowed:
        return None
    return Refusal(405, f"Only {' and '.join(allowed)} are answered at this address.", allowed)


def wrong_form(headers: Heads, length: int | None) -> Refusal | None:
    """Only a small form as browsers send it, from a page of this computer itself."""
    kind = headers.get("Content-Type", "").partition(";")[0].strip().lower()
    if kind != FORM:
        return Refusal(415, "Only a form of this page itself is taken here.")
    if length is None:
        return Refusal(411, "A form must say how long it is.")
    if length > LARGEST_FORM_BYTES:
        return Refusal(413, f"That is more than a form here can hold ({LARGEST_FORM_BYTES // 1024} KB).")
    return None if is_from_here(headers) else Refusal(403, FROM_ELSEWHERE)


FROM_ELSEWHERE = (
    "This was sent by another page than this computer's own, so nothing was done. If you did it yourself,"
    " open the page by its own address and do it there."
)


def is_from_here(headers: Heads) -> bool:
    """Whether nothing says that a request comes from another page. Host has been checked before.

    Origin must name exactly the host and port that were asked: another port of the same computer is another
    page. 'null' is what a page sends that hides where it comes from.
    """
    if headers.get("Sec-Fetch-Site", "same-origin").lower() != "same-origin":
        return False
    asked = headers.get("Host", "").lower()
    origin = headers.get("Origin")
    if origin is None:
        origin = headers.get("Referer")
    if origin is None:
        return True
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and parts.netloc.lower() == asked
