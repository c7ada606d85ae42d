"""The PIN behind which the page takes requests: only its hash is kept, in a file beside the store.

The file is its owner's alone (mode 0600), and the page must run as that owner: it lies where daemon and page
keep their state, never beside the site file, which others may read. Whoever can read it can try PINs as fast
as their computer hashes; against the network it is the page's limit on wrong tries that protects a short PIN.
"""

from __future__ import annotations

import hmac
import json
import os
import secrets
import stat
import unicodedata
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from monitor.errors import NightbankError

SHORTEST, LONGEST = 6, 128
"""Characters. A million PINs of six digits, tried a hundred times a day, last for years (our choice)."""

COST_N, COST_R, COST_P = 2**13, 8, 10
"""scrypt (RFC 7914): 128 * N * r = 8 MB and, on the computer of the tests, 0.19 s for each check; a small
board takes a few times as long (not measured on one). N and p are the pair with the least memory of those
that OWASP's cheat sheet on password storage recommends (from memory), so that the page stays small."""

MOST_MEMORY = 64 * 1024 * 1024
"""A hash that asks for more was not made here."""

HASH_BYTES, SALT_BYTES = 32, 16


class PinError(NightbankError):
    """The PIN cannot be set, read or used; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class KeptPin:
    """A PIN's hash with how it was made. salt names it: another PIN has another salt."""

    salt: bytes
    hashed: bytes
    n: int
    r: int
    p: int

    def fits(self, pin: str) -> bool:
        """Whether this is the PIN; takes the same time either way. One at a time: it takes memory."""
        return hmac.compare_digest(_hashed(_plain(pin), self.salt, self.n, self.r, self.p), self.hashed)


def pin_path(store: Path) -> Path:
    """Where the PIN of a store's page is kept."""
    return store.with_name(store.name + ".pin")


def weakness(pin: str, names: tuple[str, ...] = ()) -> str:
    """Why a PIN is refused, '' for one that will do. names are words that anyone near the page knows."""
    pin = _plain(pin)
    if len(pin) < SHORTEST:
        return f"it has {len(pin)} characters; take at least {SHORTEST}, digits or others"
    if len(pin) > LONGEST:
        return f"it has {len(pin)} characters; take at most {LONGEST}"
    if not pin.isprintable():
        return "it holds characters that a phone cannot type"
    steps = {ord(after) - ord(before) for before, after in pairwise(pin)}
    if len(steps) == 1 and abs(next(iter(steps))) <= 1:
        return "its characters follow one another (such as 123456 or 111111): the first that anyone tries"
    if len(set(pin)) < 4:
        return "it is made of three different characters or fewer: one of the first that anyone tries"
    if any(pin == pin[:size] * (len(pin) // size) for size in range(1, len(pin) // 2 + 1)):
        return "it repeats itself (such as 123123): one of the first that anyone tries"
    if pin.casefold() in {name.casefold() for name in (*names, "nightbank", "password")}:
        return "it is a name that stands on the page"
    return ""


def random_pin() -> str:
    """Six digits by chance, none that `weakness` refuses."""
    while True:
        pin = f"{secrets.randbelow(10**SHORTEST):0{SHORTEST}}"
        if not weakness(pin):
            return pin


def set_pin(file: Path, pin: str, names: tuple[str, ...] = ()) -> None:
    """Keep a PIN in place of the former. Raises PinError for a weak one, or where it cannot be written."""
    weak = weakness(pin, names)
    if weak:
        raise PinError(f"This PIN is not taken: {weak}.")
    salt = secrets.token_bytes(SALT_BYTES)
    hashed = _hashed(_plain(pin), salt, COST_N, COST_R, COST_P)
    document = {
        "salt": salt.hex(),
        "hash": hashed.hex(),
        "n": COST_N,
        "r": COST_R,
        "p": COST_P,
    }
    _write(file, json.dumps(document))


def forget_pin(file: Path) -> bool:
    """Remove the PIN; whether there was one. Raises PinError where it cannot be removed."""
    try:
        file.unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise PinError(f"{file}: cannot be removed ({error.strerror}); look at its folder's owner") from None
    return True


def read_pin(file: Path) -> KeptPin | None:
    """The PIN that is kept, None where none is set. Raises PinError for a file that cannot be used."""
    try:
        with file.open("rb") as opened:
            mode = stat.S_IMODE(os.fstat(opened.fileno()).st_mode)
            text = opened.read(4096)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise PinError(
            f"{file}: cannot be read ({error.strerror}); it must belong to the user that runs the page:"
            " set the PIN anew as that user"
        ) from None
    if mode & 0o077:
        raise PinError(
            f"{file}: others may read it (mode {mode:04o}); run 'chmod 600 {file}' and set a new PIN"
        )
    try:
        document = json.loads(text)
        kept = KeptPin(
            bytes.fromhex(document["salt"]),
            bytes.fromhex(document["hash"]),
            *(int(document[name]) for name in ("n", "r", "p")),
        )
    except (ValueError, KeyError, TypeError):
        raise PinError(f"{file}: is damaged; set the PIN anew (nightbank pin)") from None
    if min(kept.n, kept.r, kept.p) < 1 or 128 * kept.n * kept.r > MOST_MEMORY:
        raise PinError(f"{file}: is damaged; set the PIN anew (nightbank pin)")
    return kept


def _plain(pin: str) -> str:
    """The same PIN from any keyboard: composed forms, and no blanks around it."""
    return unicodedata.normalize("NFC", pin).strip()


def _hashed(pin: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    # from where hashlib has it: the page's process has loaded hashlib without (`memory.openssl_left_out`)
    from _hashlib import scrypt

    try:
        return scrypt(
            pin.encode("utf-8", "surrogatepass"),
            salt=salt,
            n=n,
            r=r,
            p=p,
            maxmem=2 * MOST_MEMORY,
            dklen=HASH_BYTES,
        )
    except ValueError:
        raise PinError("the kept PIN is damaged; set it anew (nightbank pin)") from None


def _write(file: Path, text: str) -> None:
    """Replace the file in one step; at no moment may another user read it. Set by root it belongs to the
    folder's owner, as whom daemon and page run."""
    fresh = file.with_name(f"{file.name}.new")
    try:
        fresh.unlink(missing_ok=True)
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as opened:
            opened.write(text)
            opened.flush()
            os.fsync(opened.fileno())
        if os.geteuid() == 0:
            folder = file.parent.stat()
            os.chown(fresh, folder.st_uid, folder.st_gid)
        fresh.replace(file)
    except OSError as error:
        raise PinError(
            f"{file}: cannot be written ({error.strerror}); run this as the user that runs the page"
        ) from None
