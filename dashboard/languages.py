"""How phones of a language write numbers and times: for a phone that comes for the first time and has not
told it by its cookie (`local`). Pure.

Source: Unicode CLDR, as Chromium's Intl tells it; tests/browser/test_phone.py asks it for each. A language
that is not here gets the plain form, and its phone's own a moment later.
"""

from __future__ import annotations

from dashboard.local import PLAIN, Form, form_of

WRITTEN = {
    "pc12mdy": "en en-US",
    "pc24dmy": "en-GB en-IE en-KE he sw th",
    "pc12dmy": "en-AU en-IN en-NZ es-MX es-PE es-US hi ms zh-HK",
    "pc12ymd": "en-CA ko zh-TW",
    "pc24ymd": "ja zh",
    "cp24dmy": "ca da de es hr id it nl pt ro sl sr tr vi",
    "cp12dmy": "el es-AR es-CL es-CO",
    "pa24dmy": "de-CH it-CH",
    "cs24dmy": "bg cs de-AT et fi fr lv nb no pl pt-PT ru sk uk",
    "cs24ymd": "af en-ZA fr-CA hu lt sv",
}
"""Language tags (BCP 47) by the form as the cookie tells it; one without a region stands for all that are not
listed themselves."""

FORMS = {tag.lower(): form_of(told) for told, tags in WRITTEN.items() for tag in tags.split()}


def usual(tag: str) -> Form:
    """The form of a phone that asks for a language, 'de-AT'; PLAIN where that is not known."""
    name = tag.lower()
    return FORMS.get(name) or FORMS.get(name.partition("-")[0], PLAIN)
