"""The process that hands one notice to the apprise library: a JSON request in, a JSON answer out.

    {"address": ..., "title": ..., "text": ..., "priority": ...}  on standard input
    {"problem": null or a sentence, "may_have_arrived": false}    the last line of standard output

Its log is read here and never leaves the process: at its full depth it holds addresses.
"""

from __future__ import annotations

import json
import logging
import sys

UNSURE = ("read timed out", "connection aborted", "remotedisconnected", "connection reset", "broken pipe")
"""What the HTTP library underneath says where the request was out and only the answer is missing."""


class _Lines(logging.Handler):
    """Keeps what the library logs."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[tuple[int, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append((record.levelno, record.getMessage()))


def main() -> None:
    """Send one notice and print what became of it."""
    import apprise

    request = json.load(sys.stdin)
    heard = _Lines()
    log = logging.getLogger("apprise")
    log.setLevel(logging.DEBUG)
    log.propagate = False
    log.addHandler(heard)
    asset = apprise.AppriseAsset(
        async_mode=False, secure_logging=True, app_id="Nightbank", app_desc="Nightbank"
    )
    sender = apprise.Apprise(asset=asset)
    kinds = {"urgent": apprise.NotifyType.FAILURE, "high": apprise.NotifyType.WARNING}
    if not sender.add(request["address"]):
        _answer("its secret is no address that the apprise library knows; correct the secret", False)
        return
    kind = kinds.get(request["priority"], apprise.NotifyType.INFO)
    if sender.notify(body=request["text"], title=request["title"], notify_type=kind):
        _answer(None, False)
        return
    said = " ".join(text for _, text in heard.lines).lower()
    warned = [text for level, text in heard.lines if level >= logging.WARNING]
    why = f" ({warned[-1].strip()})" if warned else ""
    _answer(f"the service did not take it{why}", any(word in said for word in UNSURE))


def _answer(problem: str | None, may_have_arrived: bool) -> None:
    print(json.dumps({"problem": problem, "may_have_arrived": may_have_arrived}), flush=True)


if __name__ == "__main__":
    main()
