"""Secrets: from systemd's credentials, else from a TOML file that only its owner may read.

A secret is read when it is needed, so that a corrected file works without a restart. Whatever was read is
struck out of every text that leaves through `scrub`: an error of a library may quote an address.
"""

from __future__ import annotations

import os
import re
import stat
import threading
import tomllib
from pathlib import Path
from urllib.parse import unquote

from monitor.errors import NoticeError
from monitor.site.model import Site

CREDENTIALS = "CREDENTIALS_DIRECTORY"
"""The variable in which systemd names the folder of a service's credentials (systemd.exec(5))."""

SHORTEST_PART = 4
"""Shorter parts of an address are not struck out by themselves (our choice: they are ports and words)."""

_HIDDEN = "(secret)"
_PARTS = re.compile(r"[/:@?&=#;,\s]+")
_SCHEME = re.compile(r"[a-z0-9+.-]+://")
"""An address's scheme is the same for everyone; anything else in it may be a key."""


class Secrets:
    """The secrets of one site."""

    def __init__(self, file: Path, credentials: Path | None = None) -> None:
        """file may be missing as long as every secret that is asked for is a credential."""
        self._file = file
        self._credentials = credentials
        self._seen: set[str] = set()
        self._lock = threading.Lock()  # channels ask in threads of their own

    def get(self, name: str) -> str:
        """The secret of a name. Raises NoticeError with what to do where there is none."""
        found = self._credential(name)
        if found is None:
            found = self._from_file(name)
        if not found:
            raise NoticeError(f"the secret '{name}' is empty; write it into {self._file}")
        self._remember(found)
        return found

    def scrub(self, text: str) -> str:
        """The text with every secret that was read struck out, and every part of one."""
        with self._lock:
            seen = sorted(self._seen, key=len, reverse=True)
        for secret in seen:
            text = text.replace(secret, _HIDDEN)
        return text

    def _credential(self, name: str) -> str | None:
        if self._credentials is None:
            return None
        try:
            return (self._credentials / name).read_text(encoding="utf-8").strip()
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as error:
            raise NoticeError(
                f"the credential '{name}' of this service cannot be read ({_why(error)})"
            ) from None

    def _from_file(self, name: str) -> str:
        try:
            with self._file.open("rb") as file:
                mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
                if mode & 0o077:
                    raise NoticeError(
                        f"{self._file}: others may read the secrets in it (mode {mode:04o}); "
                        f"run 'chmod 600 {self._file}', and take new secrets if anyone may have seen them"
                    )
                kept = tomllib.loads(file.read().decode("utf-8"))
        except FileNotFoundError:
            raise NoticeError(
                f"there is no secret '{name}': neither a credential of this service has that name nor is "
                f"there a file {self._file} (a line '{name} = \"...\"' in it, mode 0600)"
            ) from None
        except OSError as error:
            raise NoticeError(f"{self._file}: cannot be read ({_why(error)}); look at its owner") from None
        except (UnicodeDecodeError, tomllib.TOMLDecodeError):
            # what tomllib says could quote a secret
            raise NoticeError(f'{self._file}: is no TOML; each line reads name = "secret"') from None
        secret = kept.get(name)
        if not isinstance(secret, str):
            raise NoticeError(f"{self._file}: has no secret '{name}'; add a line '{name} = \"...\"'")
        return secret

    def _remember(self, secret: str) -> None:
        for form in (secret, unquote(secret)):
            parts = _PARTS.split(_SCHEME.sub("", form))
            with self._lock:
                self._seen.add(form)
                self._seen.update(part for part in parts if len(part) >= SHORTEST_PART)


def secrets_of(site: Site, folder: Path) -> Secrets:
    """The secrets of a site whose file lies in a folder, with systemd's credentials where it started us."""
    credentials = os.environ.get(CREDENTIALS)
    return Secrets(folder / site.notices.secrets, Path(credentials) if credentials else None)


def _why(error: Exception) -> str:
    return getattr(error, "strerror", None) or type(error).__name__
