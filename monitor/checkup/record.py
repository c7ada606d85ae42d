"""The record of a checkup: one document, its text to print, and what has changed since an older one. Pure
but for files."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from monitor.checkup import figures
from monitor.checkup.recording import Recording
from monitor.checkup.result import Result, Verdict
from monitor.checkup.sources import CheckupError
from monitor.records import iso_utc, to_datetime
from monitor.whole_file import write_whole

FORM = 1
"""Goes up when a record's keys change their meaning."""

WIDTH = 80
"""Of the sheet, on paper as on a terminal (our choice)."""

Document = dict[str, Any]


def document_of(recording: Recording, results: Sequence[Result], now_ms: int, source: str) -> Document:
    """The record as one JSON document."""
    site = recording.site
    local = to_datetime(now_ms).astimezone(site.site.zone)
    verdicts = [result.verdict for result in results]
    return {
        "form": FORM,
        "site": site.site.name,
        "time": iso_utc(now_ms),
        "local_time": f"{local:%Y-%m-%d %H:%M}",
        "read_from": source,
        "metering": site.metering.level,
        "right": verdicts.count(Verdict.RIGHT),
        "wrong": verdicts.count(Verdict.WRONG),
        "not_to_be_told": verdicts.count(Verdict.UNTOLD),
        "results": [result.document() for result in results],
        "cautions": list(dict.fromkeys(text for result in results for text in result.cautions)),
        "acts": [
            {"phase": phase.name, "how": phase.how, "reason": phase.reason} for phase in recording.phases
        ],
        "answers": {
            "clock_error_s": recording.answers.clock_error_s,
            "absorption_V": recording.answers.absorption_V,
            "float_V": recording.answers.float_V,
        },
    }


def in_words(document: Document) -> str:
    """The record as a sheet to print."""
    lines = [
        f"Checkup of {document['site']}, {document['local_time']}",
        f"Read from {document['read_from']}; metering level: {document['metering']}.",
        f"{document['right']} right, {document['wrong']} wrong, {document['not_to_be_told']} not to be told.",
    ]
    for verdict, heading in (
        (Verdict.WRONG, "What is wrong"),
        (Verdict.UNTOLD, "What could not be told"),
        (Verdict.RIGHT, "What is right"),
    ):
        of_kind = [each for each in document["results"] if each["verdict"] == verdict.value]
        if of_kind:
            lines += ["", heading]
            for each in of_kind:
                lines += _told(each, verdict)
    if document["cautions"]:
        lines += ["", "Before you touch anything", *_wrapped(document["cautions"])]
    skipped = [act for act in document["acts"] if act["how"] == "skipped"]
    if skipped:
        lines += ["", "Left out"]
        lines += _wrapped([f"{act['phase']}: {act['reason']}" for act in skipped])
    if "compared" in document:
        lines += ["", *changes_in_words(document["compared"])]
    return "\n".join(lines)


def _told(result: Document, verdict: Verdict) -> list[str]:
    evidence = result["evidence"]
    if verdict is Verdict.UNTOLD:
        evidence = f"{evidence[0].upper()}{evidence[1:].rstrip('.')}. To tell it: {result['look_at']}."
    rows = _wrapped([f"{result['title']}: {evidence}"])
    if verdict is Verdict.WRONG:
        more = [result["look_at"]]
        rows += [
            row
            for text in more
            for row in textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="    ")
        ]
    return rows


def _wrapped(texts: Sequence[str]) -> list[str]:
    return [
        row
        for text in texts
        for row in textwrap.wrap(text, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    ]


def compared(new: Document, old: Document) -> Document:
    """What has changed from an older record: verdicts, and every figure that both have."""
    before = {each["check"]: each for each in old["results"]}
    verdicts, moved = [], []
    for each in new["results"]:
        former = before.get(each["check"])
        if former is None:
            continue
        if former["verdict"] != each["verdict"]:
            verdicts.append({"title": each["title"], "before": former["verdict"], "now": each["verdict"]})
        for key, value in each["figures"].items():
            was = former["figures"].get(key)
            if isinstance(value, int | float) and isinstance(was, int | float):
                moved.append({"title": each["title"], "figure": key, "before": was, "now": value})
    return {"site": old["site"], "local_time": old["local_time"], "verdicts": verdicts, "figures": moved}


def changes_in_words(changes: Document) -> list[str]:
    """The comparison as lines."""
    lines = [f"Since {changes['local_time']}"]
    if not changes["verdicts"]:
        lines.append("  - Every check says the same as then, as far as both told it.")
    lines += _wrapped(
        [f"{each['title']}: {each['before']} then, {each['now']} now" for each in changes["verdicts"]]
    )
    rows = []
    for each in changes["figures"]:
        before, now = (figures.in_words(each["figure"], each[when]) for when in ("before", "now"))
        if before is not None and now is not None:
            rows.append(f"    {before[0]:30} {before[1]:>10} then {now[1]:>10} now")
    lines += dict.fromkeys(rows)  # two checks may rest on one figure
    return lines


def read_record(file: Path) -> Document:
    """An older record from its JSON file. Raises CheckupError."""
    try:
        document: Document = json.loads(file.read_text(encoding="utf-8"))
        if document["form"] != FORM:
            raise CheckupError(
                f"{file}: is a record of another form ({document['form']}); this version reads {FORM}"
            )
        document["site"], document["local_time"]
        for each in document["results"]:
            each["check"], each["title"], each["verdict"], each["figures"].items()
    except OSError as error:
        raise CheckupError(
            f"{file}: cannot be read ({error.strerror}); name the .json file of a record"
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise CheckupError(
            f"{file}: is no record of a checkup; name the .json file that --record wrote"
        ) from error
    return document


def files_of(out: Path) -> tuple[Path, Path]:
    """The text file and the JSON file of a record. Raises CheckupError where one is there already."""
    base = out.with_suffix("") if out.suffix in (".txt", ".json") else out
    files = base.with_name(base.name + ".txt"), base.with_name(base.name + ".json")
    for file in files:
        if file.exists():
            raise CheckupError(f"{file} is there already; choose another name, so that no record is lost")
    if not base.parent.is_dir():
        raise CheckupError(f"{base.parent} is no folder; make it, or choose another place")
    return files


def write_record(files: tuple[Path, Path], document: Document) -> None:
    """Write both or none. Raises CheckupError."""
    texts = in_words(document), json.dumps(document, ensure_ascii=False, indent=2)
    for file, text in zip(files, texts, strict=True):
        try:
            write_whole(file, text + "\n")
        except OSError as error:
            files[0].unlink(missing_ok=True)  # half a record would be in the way of the next try
            raise CheckupError(
                f"{file}: cannot be written ({error.strerror}); the record stands above"
            ) from error
